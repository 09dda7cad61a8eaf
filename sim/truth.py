"""What would really have happened: branches of one flight that turn back at other times.

T* is the latest turn-back time from which the aircraft still lands at home with the final reserve
in the pack and every cell above the policy's limit all the way.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from random import Random
from typing import Any

from sim.cells import CELLS
from sim.flight import Flight
from sim.pack import Pack, PackBuild
from sim.state import AircraftState, Phase

LONGEST_S = 8 * 3600.0
RESERVE_CHARGE = 0.20  # where on the curve a reserve is drawn
VOLT_WH = 150.0  # near empty a cell of the default pack falls by a volt over about this much


@dataclass(frozen=True, slots=True)
class Outcome:
    """One return: when it began, how it ended. ``lowest_cell_v`` from the turn to touch-down."""

    turn_s: float
    distance_km: float
    landed: bool
    landing_s: float
    energy_left_wh: float
    lowest_cell_v: float

    def good(self, reserve_wh: float, min_cell_v: float) -> bool:
        """Landed with the reserve intact and the voltage held."""
        kept = self.energy_left_wh >= reserve_wh and self.lowest_cell_v >= min_cell_v
        return self.landed and kept

    def margin(self, reserve_wh: float, min_cell_v: float) -> float:
        """Above zero when :meth:`good`: the smaller of energy and voltage margin, in watt-hours.

        A tenth of a volt is counted as VOLT_WH / 10: it only steers the search for T*.
        """
        if not self.landed:
            return -math.inf
        volts = VOLT_WH * (self.lowest_cell_v - min_cell_v)
        return min(self.energy_left_wh - reserve_wh, volts)


def final_reserve_wh(flight: Flight) -> float:
    """The policy's final reserve as open-circuit energy [Wh], by the builder's own figures.

    Minutes of hover or cruise are drawn from the builder's pack at RESERVE_CHARGE, so that what the
    pack loses in its own resistance is in the reserve as well.
    """
    plan = flight.scenario.plan
    kind, amount = plan.reserve
    if kind == "energy_wh":
        return amount
    figures, cell = plan.pack, CELLS[plan.pack.cell]
    if kind == "nameplate_percent":
        return amount / 100.0 * cell.energy_wh_per_ah * figures.series * figures.capacity_ah
    if kind == "hover_min":
        power_w = plan.builder.hover_power_w
    else:
        points, cruise_mps = plan.builder.cruise_points, plan.builder.cruise_mps
        power_w = min(points, key=lambda point: abs(point[0] - cruise_mps))[1]
    build = PackBuild(
        cell, figures.series, figures.parallel, figures.capacity_ah, 1.0, 0.0, 0.0, 0.0
    )
    pack = Pack(build, RESERVE_CHARGE, figures.temperature_c, Random(0))
    for _ in range(round(60.0 * amount)):
        pack.step(power_w, 1.0, figures.temperature_c, 0.0)
    return pack.ledger.total_wh


def fly_home(flight: Flight, fresh_seed: int | None = None, divert: int | None = None) -> Outcome:
    """Branch ``flight`` now, turn back (or to alternate ``divert``) and fly to the end."""
    branch = flight.fork(fresh_seed)
    if divert is None:
        branch.command_return()
    else:
        branch.command_divert(divert)
    return _outcome(branch)


def fly_to_end(flight: Flight) -> Outcome:
    """Let a branch of ``flight`` go on along its plan to the end, untouched."""
    return _outcome(flight.fork())


def _outcome(branch: Flight) -> Outcome:
    """Fly ``branch`` to its end."""
    turn_s, distance_km = branch.t_s, branch.distance_home_m / 1000.0
    branch.pack.lowest_ever_v = branch.pack.lowest_cell_v
    branch.advance(turn_s + LONGEST_S)
    return Outcome(
        turn_s=turn_s,
        distance_km=distance_km,
        landed=branch.pilot.done and not branch.lost,
        landing_s=branch.t_s,
        energy_left_wh=branch.pack.energy_left_wh,
        lowest_cell_v=branch.pack.lowest_ever_v,
    )


def turn_back_grid(flight: Flight, step_s: float, until_s: float = LONGEST_S) -> list[Outcome]:
    """Outcomes of turning back every ``step_s`` along the plan of a flight that has not begun.

    Ends when the plan itself turns home, or the flight is lost, or ``until_s``.
    """
    walker = flight.fork()
    outcomes = []
    while walker.t_s < until_s:
        outcomes.append(fly_home(walker))
        walker.advance(walker.t_s + step_s)
        if walker.done or walker.pilot.returning:
            break
    return outcomes


def latest_turn_back_s(
    flight: Flight, reserve_wh: float, min_cell_v: float, step_s: float = 180.0, fine_s: float = 2.0
) -> float | None:
    """T* [s] of a flight that has not begun; None when no turn-back lands with the reserve.

    inf when the whole plan, with its own return, does. Otherwise the plan is walked once, branches
    are tried every ``step_s`` from the latest backward (a plan may come near home again, so the
    first failure from the front is not the answer), and the edge is then found to ``fine_s``.
    """
    if fly_to_end(flight).good(reserve_wh, min_cell_v):
        return math.inf
    stops = _stops(flight, step_s)
    bad = Trial(stops[-1], -math.inf)
    for stop in reversed(stops[:-1]):
        trial = Trial(stop, fly_home(stop).margin(reserve_wh, min_cell_v))
        if trial.margin >= 0.0:
            return _edge_s(trial, bad, reserve_wh, min_cell_v, fine_s)
        bad = trial
    return None


@dataclass(frozen=True, slots=True)
class Trial:
    """A flight about to turn back, and the margin with which it would land."""

    flight: Flight
    margin: float


def _stops(flight: Flight, step_s: float) -> list[Flight]:
    """Copies of the flight every ``step_s`` along its plan, the last at its own turn or end."""
    walker = flight.fork()
    stops = [walker.fork()]
    while not walker.done and not walker.pilot.returning:
        walker.advance(walker.t_s + step_s)
        stops.append(walker.fork())
    return stops


def _edge_s(good: Trial, bad: Trial, reserve_wh: float, min_cell_v: float, fine_s: float) -> float:
    """Between a good and a bad turn, by the straight line through both margins, held off the ends.

    Every second try is a halving, so that a kink in the margin costs no more than bisection.
    """
    halve = True
    while bad.flight.t_s - good.flight.t_s > fine_s:
        start, span = good.flight.t_s, bad.flight.t_s - good.flight.t_s
        share, halve = 0.5, not halve
        if not halve and math.isfinite(bad.margin):
            share = min(max(good.margin / (good.margin - bad.margin), 0.05), 0.95)
        middle = good.flight.fork()
        middle.advance(start + max(share * span, min(fine_s, 0.5 * span)))
        if not start < middle.t_s < bad.flight.t_s:
            break
        over = middle.done or middle.pilot.returning
        margin = -math.inf if over else fly_home(middle).margin(reserve_wh, min_cell_v)
        if margin >= 0.0:
            good = Trial(middle, margin)
        else:
            bad = Trial(middle, margin)
    return good.flight.t_s


SERIES = (
    "t_s", "lat_deg", "lon_deg", "height_m", "vn_mps", "ve_mps", "tas_mps", "power_w", "pack_v",
    "current_a", "soc", "energy_left_wh", "pack_temp_c", "wind_n_mps", "wind_e_mps", "returning",
)  # fmt: skip


def row(state: AircraftState) -> list[float | str]:
    """One row of the 1 Hz series: the columns of SERIES, then phase and lowest cell voltage."""
    values: list[float | str] = [round(float(getattr(state, name)), 6) for name in SERIES]
    return [*values, state.phase.value, round(min(state.cell_v), 4)]


def document(
    scenario_flight: Flight, rows: list[list[float | str]], last: AircraftState, grid_s: float
) -> dict[str, Any]:
    """The content of ``truth.json``. ``scenario_flight`` is the flight before its first step."""
    flight = scenario_flight
    reserve_wh, min_v = final_reserve_wh(flight), flight.scenario.plan.min_cell_v
    best = latest_turn_back_s(flight, reserve_wh, min_v)
    return {
        "scenario": flight.scenario.name,
        "seed": flight.seed,
        "sortie": flight.sortie,
        "draw": flight.draw,
        "final_reserve_wh": reserve_wh,
        "min_cell_v": min_v,
        "t_star_s": best if best is None or math.isfinite(best) else "whole-plan",
        "turn_backs": [asdict(outcome) for outcome in turn_back_grid(flight, grid_s)],
        "landed": last.phase is Phase.LANDED,
        "landing_energy_wh": last.energy_left_wh,
        "end_s": last.t_s,
        "columns": [*SERIES, "phase", "lowest_cell_v"],
        "series": rows,
    }
