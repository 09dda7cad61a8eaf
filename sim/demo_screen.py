"""What the demo prints: one line every few minutes of flight, every advisory in full."""

from __future__ import annotations

import math
import shutil
import textwrap
from collections.abc import Mapping
from pathlib import Path

import click

from sim.state import AircraftState
from supervisor import messages
from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Flight
from supervisor.replay import clock_text

EVERY_S = 240.0
# Shape and word carry the level; colour only adds to it (14 CFR 25.1322(e): red, amber).
MARKS = {"warning": "▲▲", "caution": "▲ ", "advisory": "· ", "normal": "✓ "}
STYLES: dict[str, dict[str, object]] = {
    "warning": {"fg": "red", "bold": True},
    "caution": {"fg": "yellow", "bold": True},
    "advisory": {"bold": True},
    "normal": {"dim": True},
}
HEAD = (
    f"{'flight':>7}  {'phase':13} {'from home':>9} {'headwind':>9} {'charge':>6} "
    f"{'must turn in':>15}  {'landing, if turned now':26} {'chance':>8}"
)


class Screen:
    """Prints to standard output."""

    def __init__(self) -> None:
        self._next_s = 0.0
        self._turn_s = math.inf

    def begin(
        self, flight: Flight, seed: int, rate: float, broker: str, udp_port: int, out: Path
    ) -> None:
        """Who is who, before anything moves."""
        self._map = LocalMap(flight.home.lat_rad, flight.home.lon_rad)
        self._reserve_wh = flight.policy.final_reserve_wh
        click.secho(
            f"{flight.name} (simulated, seed {seed}, up to {rate:.0f} x real time)", bold=True
        )
        click.echo(f"  aircraft  {flight.aircraft.name}, MAVLink 2 to udp 127.0.0.1:{udp_port}")
        click.echo(f"  daemon    a process of its own; log and recording in {out}")
        click.echo(f"  broker    {broker}")
        click.echo(
            f"  policy    land with {self._reserve_wh:.0f} Wh left, "
            f"at {100 * flight.policy.confidence:.0f} % confidence"
        )
        click.echo(f"\n{HEAD}\n{'─' * len(HEAD)}")

    def status(self, status: messages.Status) -> None:
        """A line now and then."""
        self._pilot_turned(status.t)
        if status.t < self._next_s or status.numbers is None or status.where is None:
            return
        self._next_s = status.t - status.t % EVERY_S + EVERY_S
        click.echo(self._row(status))

    def _row(self, status: messages.Status) -> str:
        numbers, where = status.numbers, status.where
        assert numbers is not None
        assert where is not None
        north, east = self._map.to_map(math.radians(where.lat_deg), math.radians(where.lon_deg))
        low, middle, high = (round(v or 0.0) for v in numbers.landing_energy_wh)
        if numbers.turn_back_safe_min is None:
            turn = "—"
        else:
            turn = f"{max(numbers.turn_back_safe_min, 0.0):.0f} min"
        wind = f"{status.wind.headwind_home_mps:+.0f} m/s" if status.wind else ""
        charge = f"{status.pack.charge_percent:.0f} %" if status.pack else ""
        home = f"{math.hypot(north, east) / 1000:.1f} km"
        return (
            f"{clock_text(status.t):>7}  {status.phase:13} {home:>9} "
            f"{wind:>9} {charge:>6} {turn:>15}  {f'{middle} Wh ({low} to {high})':26} "
            f"{_chance(numbers.covered):>8}"
        )

    def advisory(self, advisory: messages.Advisory) -> None:
        """In full, wrapped, marked by shape, word and colour."""
        self._pilot_turned(advisory.t)
        head = f"{clock_text(advisory.t):>7}  {MARKS[advisory.level]} {advisory.level.upper()} "
        width = min(shutil.get_terminal_size((100, 24)).columns, 110)
        text = textwrap.fill(
            f"{advisory.condition}: {advisory.sentence}",
            width,
            initial_indent=head,
            subsequent_indent=" " * 13,
        )
        click.secho(text, **STYLES[advisory.level])  # type: ignore[arg-type]

    def pilot_turns(self, at_s: float) -> None:
        """The demo's pilot has read the warning, and will act at ``at_s``."""
        self._turn_s = at_s

    def _pilot_turned(self, t_s: float) -> None:
        if t_s >= self._turn_s:
            text = f"{clock_text(self._turn_s):>7}  ←  the pilot asks the aircraft to return"
            click.secho(text, bold=True)
            self._turn_s = math.inf

    def end(self, flight: Flight, state: AircraftState, summary: Mapping[str, object]) -> None:
        """How it ended, in truth."""
        reserve = flight.policy.final_reserve_wh
        click.echo("─" * len(HEAD))
        click.secho(
            f"After {clock_text(state.t_s)}: {summary['exit_reason']}. "
            f"{state.energy_left_wh:.0f} Wh left in truth, final reserve {reserve:.0f} Wh.",
            bold=True,
        )
        click.echo("Simulated. Homeleg advises; the remote pilot decides, local rules bind.")


def _chance(value: float) -> str:
    if value > 0.99:
        return ">99 %"
    return "<1 %" if value < 0.01 else f"{100 * value:.0f} %"
