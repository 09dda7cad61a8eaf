"""``homeleg fly``: the simulator alone, over real links or into files."""

from __future__ import annotations

import asyncio
import json
import math
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import click

from supervisor.cli.ranges import Decimal
from supervisor.errors import InputError, LinkError
from supervisor.extras import need

if TYPE_CHECKING:
    from sim.headless import Sortie, Watch
    from sim.scenario import Scenario
    from sim.state import AircraftState

PROGRESS_S = 2.0  # wall time between progress lines
DEFAULT_TARGET = "udp:127.0.0.1:14550"

Write = Callable[[float, bytes], None]


@click.command(short_help="the simulator alone, over real links")
@click.option("--scenario", "name", metavar="NAME|FILE.toml", help="which flight; see --list")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True,
              help="everything random comes from it")  # fmt: skip
@click.option("--sortie", "number", type=click.IntRange(min=0), default=0, show_default=True,
              help="of a scenario with several flights of one pack: which, from 0")  # fmt: skip
@click.option("--rate", default="1", show_default=True, metavar="N|max",
              help="simulated seconds a second; at max only TCP waits for its reader")  # fmt: skip
@click.option("--to", "targets", multiple=True, metavar="ADDRESS|FILE.mcap",
              help="udp:HOST:PORT, tcp-listen:HOST:PORT or a file; may be repeated "
                   f"[default: {DEFAULT_TARGET}]")  # fmt: skip
@click.option("--turn-back-at", type=Decimal(min=0.0), metavar="SECONDS",
              help="turn for home then, whatever the plan says")  # fmt: skip
@click.option("--through", type=click.Choice(["wire", "cellular", "radio"]), default="wire",
              show_default=True, help="what carries the frames")  # fmt: skip
@click.option("--wait", "wait_s", type=Decimal(min=0.0), default=10.0, show_default=True,
              help="seconds on the ground for a client to ask for what it needs")  # fmt: skip
@click.option("--key", "key_file", type=click.Path(path_type=Path, dir_okay=False),
              metavar="FILE", help="sign frames, and hear signed ones only")  # fmt: skip
@click.option("--headless", is_flag=True, help="no link: flight.mcap and truth.json into --out")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), metavar="DIR")
@click.option("--grid", "grid_s", type=Decimal(min=10.0), default=300.0,
              show_default=True, help="step of the turn-backs in truth.json, seconds")  # fmt: skip
@click.option("--plot", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE.png",
              help="draw the flight (needs the report extra)")  # fmt: skip
@click.option("--list", "as_list", is_flag=True, help="the scenarios that ship")
@click.option("--json", "as_json", is_flag=True, help="machine output, with --list")
def command(
    name: str | None,
    seed: int,
    number: int,
    rate: str,
    targets: tuple[str, ...],
    turn_back_at: float | None,
    through: str,
    wait_s: float,
    key_file: Path | None,
    headless: bool,
    out: Path | None,
    grid_s: float,
    plot: Path | None,
    as_list: bool,
    as_json: bool,
) -> int:
    """Fly a simulated flight.

    Over a link it speaks MAVLink 2 as an aircraft does; with --headless it writes what was told
    (flight.mcap) and what was true (truth.json).
    """
    if as_list:
        list_scenarios(as_json)
        return 0
    if name is None:
        raise click.UsageError("give a flight with --scenario NAME, or see --list")
    if headless and targets:
        raise click.UsageError("--headless writes into --out; it takes no --to")
    if headless != (out is not None):
        raise click.UsageError("--headless and --out DIR go together")
    if plot is not None:
        need("--plot", "report")
    sortie = make_sortie(load_scenario(name), seed, number, turn_back_at, through, key_file)
    series: list[AircraftState] = []
    if out is not None:
        last = fly_headless(sortie, out, grid_s, series)
    else:
        ways = targets or (DEFAULT_TARGET,)
        kept = series if plot is not None else None
        last = fly_over_links(sortie, ways, parse_rate(rate), wait_s, kept)
    say(f"{summary(last)}\n")
    if plot is not None:
        draw(plot, sortie, series)
    return 0


# --- scenarios ---------------------------------------------------------------------------------


def load_scenario(name: str) -> Scenario:
    """The scenario of that name, or in that file; an InputError says which there are."""
    from sim.plan import ScenarioError
    from sim.scenario import load, names, read_scenario

    own = name.endswith(".toml")
    if not own and name not in names():
        allowed = ", ".join(names()) + ", or a scenario file of your own (*.toml)"
        raise InputError("--scenario", f"{name!r} is unknown", allowed=allowed)
    try:
        return read_scenario(Path(name)) if own else load(name)
    except ScenarioError as error:
        raise InputError(str(error.path), f"{error.where}: {error.problem}") from error


def list_scenarios(as_json: bool) -> None:
    """Print the scenarios that ship."""
    from sim.scenario import names

    found = [load_scenario(name) for name in names()]
    if as_json:
        rows = [
            {
                "name": s.name,
                "title": s.title,
                "description": s.description,
                "seeds": list(s.seeds),
                "sorties": s.sorties.count,
                "flight": str(s.flight_path),
            }
            for s in found
        ]
        click.echo(json.dumps(rows, indent=2))
        return
    width = max(len(scenario.name) for scenario in found)
    for scenario in found:
        click.echo(f"{scenario.name:{width}}  {scenario.title}")


def parse_rate(text: str) -> float:
    """``N`` or ``max``."""
    if text == "max":
        return math.inf
    try:
        rate = float(text)
    except ValueError:
        rate = math.nan
    if not 0.0 < rate < math.inf:
        raise InputError("--rate", f"{text!r} is no rate", allowed="a number above 0, or max")
    return rate


# --- the two ways to fly -----------------------------------------------------------------------


def make_sortie(
    scenario: Scenario,
    seed: int,
    number: int,
    turn_back_at: float | None,
    through: str,
    key_file: Path | None,
) -> Sortie:
    """The flight that was asked for."""
    from sim.headless import Sortie
    from sim.link import Kind
    from sim.wire import SigningKey
    from supervisor.edge.frame_signing import load_key

    count = scenario.sorties.count
    if number >= count:
        allowed = f"0 to {count - 1}" if count > 1 else "0: this scenario is a single flight"
        raise InputError("--sortie", f"{number} is too high", allowed=allowed)
    return Sortie(
        scenario,
        seed,
        math.inf if turn_back_at is None else turn_back_at,
        None if through == "wire" else Kind(through),
        SigningKey(load_key(key_file)) if key_file else None,
        number,
    )


def fly_headless(
    sortie: Sortie, out: Path, grid_s: float, series: list[AircraftState]
) -> AircraftState:
    """As fast as it will go, into ``out``; returns the last true state."""
    from sim.headless import fly, write_truth

    with ExitStack() as stack:
        write = writers(stack, sortie, [out / "flight.mcap"])
        last = fly(sortie, watching(series, write))
    if series[-1].t_s < last.t_s:
        series.append(last)
    say("the truth: turn-backs ...\n")
    write_truth(out / "truth.json", sortie, series, last, grid_s)
    return last


def fly_over_links(
    sortie: Sortie,
    targets: tuple[str, ...],
    rate: float,
    wait_s: float,
    series: list[AircraftState] | None,
) -> AircraftState:
    """Through ports and into files; files alone need no clock."""
    from sim.endpoint import Endpoint, Pace
    from sim.headless import fly
    from sim.ports import PortError, make_port

    paths = [Path(target) for target in targets if target.endswith(".mcap")]
    try:
        ports = [make_port(target) for target in targets if not target.endswith(".mcap")]
        with ExitStack() as stack:
            watch = watching(series, writers(stack, sortie, paths))
            if not ports:
                return fly(sortie, watch)
            say(f"{sortie.scenario.title}, seed {sortie.seed}: to {', '.join(targets)}\n")
            endpoint = Endpoint(
                *sortie.begin(),
                ports,
                Pace(rate),
                wait_s=wait_s,
                turn_back_at_s=sortie.turn_back_s,
                link=sortie.link(),
                watch=watch,
            )
            return asyncio.run(endpoint.run())
    except PortError as error:
        raise LinkError(error.address, error.problem) from error
    except KeyboardInterrupt:
        raise click.Abort from None


def writers(stack: ExitStack, sortie: Sortie, paths: list[Path]) -> Write:
    """Open every file; what is returned writes a frame into all of them."""
    from sim.framefile import FrameFile
    from supervisor.flightinside import packed

    facts = sortie.metadata() | packed(sortie.scenario.flight_path)
    files = []
    for path in paths:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            files.append(stack.enter_context(FrameFile(path, facts)))
        except OSError as error:
            raise InputError(str(path), f"cannot be written: {error.strerror}") from error

    def write(t_s: float, frame: bytes) -> None:
        for file in files:
            file.write(t_s, frame)

    return write


# --- what a person sees ------------------------------------------------------------------------


def say(text: str) -> None:
    """To the person; stdout is for machines."""
    sys.stderr.write(text)
    sys.stderr.flush()


class Progress:
    """Now and then one line about where the flight is."""

    def __init__(self) -> None:
        self._next = time.monotonic() + PROGRESS_S

    def __call__(self, state: AircraftState) -> None:
        """Say something if it is time."""
        now = time.monotonic()
        if now >= self._next:
            self._next = now + PROGRESS_S
            say(f"  {summary(state)}\n")


def summary(state: AircraftState) -> str:
    """One line about a state."""
    minutes, seconds = divmod(int(state.t_s), 60)
    home = ", returning" if state.returning else ""
    return (
        f"{minutes:4d}:{seconds:02d}  {state.phase.value:15} {state.height_m:5.0f} m  "
        f"{state.tas_mps:4.1f} m/s  {state.power_w:6.0f} W  {state.pack_v:5.1f} V  "
        f"{state.energy_left_wh:5.0f} Wh left{home}"
    )


def watching(series: list[AircraftState] | None, write: Write) -> Watch:
    """A watcher that writes every frame, reports progress and, if asked, keeps a state a second.

    Without a series memory does not grow with the flight.
    """
    next_s, progress = 0.0, Progress()

    def watch(state: AircraftState, frames: list[tuple[float, bytes]]) -> None:
        nonlocal next_s
        for t_s, frame in frames:
            write(t_s, frame)
        if state.t_s >= next_s:
            next_s = math.floor(state.t_s) + 1.0
            progress(state)
            if series is not None:
                series.append(state)

    return watch


def draw(path: Path, sortie: Sortie, series: list[AircraftState]) -> None:
    """The picture of the flight."""
    from sim.picture import draw_flight

    try:
        draw_flight(path, f"{sortie.scenario.title}, seed {sortie.seed}", series)
    except OSError as error:
        raise InputError(str(path), f"cannot be written: {error.strerror}") from error
    say(f"{path}\n")
