"""Many simulated flights through the supervisor, each judged by its own truth.

One flight gives one :class:`Record`: when the alert came, at every confidence of the sweep; when it
should have come at the latest (T*); what the simple rules would have needed; how often the truth
lay within the published spreads. ``sim/scoring.py`` makes the table of many records.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

from sim.bounds import Limits, Timeline, perfect_knowledge_s
from sim.geodesy import offset_m
from sim.harness import Harness
from sim.scenario import Scenario, load
from supervisor.core.conclusions import Advisory, Level, Status
from supervisor.core.forecast.run import Forecast
from supervisor.core.plan import Flight as Plan
from supervisor.flightfile import load_flight

CONFIDENCES = (0.80, 0.90, 0.95, 0.99, 0.999)
PERSIST_S = 4.0  # an alert must be wanted this long before it is given, as in the decision
SERIES_S = 30.0
HELD_S = 3.0 * 3600.0
FRONT_FELT = 0.25  # so much of the air is behind a front before its wind can be told from drift
SUDDEN = ("drag-rise", "pusher", "lift-motor", "weak-cell")  # faults that may move T* at a stroke


@dataclass(frozen=True, slots=True)
class Truth:
    """What an earlier campaign found true of a flight: it does not hang on who watches."""

    t_star_s: float | None
    bound_s: float
    fault_s: float


@dataclass(frozen=True, slots=True)
class Task:
    """One flight to fly. ``futures`` > 0 asks for the perfect-knowledge bound as well.

    ``stretched``: the last point of the plan is held for hours, in the aircraft's mission and in
    the supervisor's flight file alike. A plan that fits has no T* to judge an alert by; this one
    always has. ``sweep``: fly on until the alert of every confidence is known. Alternates are left
    out: nothing measured here asks for them. ``truth``: known already, not searched for again.
    """

    scenario: str
    seed: int
    members: int = 200
    points: int = 30
    futures: int = 0
    checks: int = 2
    stretched: bool = False
    sweep: bool = True
    truth: Truth | None = None


@dataclass(slots=True)
class Record:
    """What one flight showed. Times in seconds of the flight; NaN or inf where there is none.

    ``bound_s``: NaN where the perfect-knowledge bound was not flown, inf where it need not turn.
    ``alerts``: alert time by confidence (inf: none before the plan's end). ``checks``: for some
    moments before the alert, (quantity, moment [s], p05, p50, p95, truth). ``series``: what the
    simple rules look at, [t, monitor's charge 0..1, distance home km, energy used Wh, way km].
    """

    scenario: str
    seed: int
    stretched: bool = False
    t_star_s: float | None = None
    bound_s: float = math.nan
    reaction_s: float = 0.0
    nameplate_wh: float = 0.0
    reserve_wh: float = 0.0
    alert_s: float = math.inf
    soon_s: float = math.inf
    alerts: dict[str, float] = field(default_factory=dict)
    checks: list[tuple[str, float, float, float, float, float]] = field(default_factory=list)
    series: list[list[float]] = field(default_factory=list)
    warnings: int = 0
    airborne_s: float = 0.0
    fault_s: float = math.inf  # what nobody could foresee: a sudden fault, a front met
    looks: int = 0
    swept: bool = True


class _Watcher:
    """Listens to one flight's supervisor and notes what the record needs."""

    def __init__(self, harness: Harness, record: Record, timeline: Timeline) -> None:
        self.harness, self.record, self.timeline = harness, record, timeline
        self.wanted_since: dict[float, float] = {}
        self.used_wh = self.way_km = 0.0
        self.last: Status | None = None
        self.moments: list[tuple[float, Forecast]] = []

    def hear(self, output: Any) -> None:
        if isinstance(output, Advisory):
            self._advisory(output)
        elif isinstance(output, Status):
            self._status(output)

    def _advisory(self, advisory: Advisory) -> None:
        record = self.record
        if advisory.level is Level.WARNING:
            record.warnings += 1
        if advisory.condition == "turn-back-now" and advisory.level is Level.WARNING:
            record.alert_s = min(record.alert_s, advisory.t_s)
        if advisory.condition == "turn-back-soon" and advisory.level is Level.CAUTION:
            record.soon_s = min(record.soon_s, advisory.t_s)

    def _status(self, status: Status) -> None:
        self.record.looks += 1
        forecast = self.harness.monitor.forecast
        if forecast is not None and forecast.t_s == status.t_s and status.numbers:
            self._sweep(status.t_s, forecast)
            if not self.moments or status.t_s >= self.moments[-1][0] + SERIES_S:
                self.moments.append((status.t_s, forecast))
        self._consume(status)

    def _sweep(self, t_s: float, forecast: Forecast) -> None:
        for confidence, safe_s in forecast.safe_at:
            if safe_s > 0.0:
                self.wanted_since.pop(confidence, None)
                continue
            since = self.wanted_since.setdefault(confidence, t_s)
            name = f"{confidence:g}"
            if t_s - since >= PERSIST_S and name not in self.record.alerts:
                self.record.alerts[name] = t_s

    def _consume(self, status: Status) -> None:
        """What a simple rule could know: the monitor's charge, distance, use and way so far."""
        before, self.last = self.last, status
        fix, pack = status.position, status.pack
        if fix is None or pack is None:
            return
        if before is not None:
            dt_s = status.t_s - before.t_s
            power = pack.pack_v * pack.current_a
            self.used_wh += power * dt_s / 3600.0 if math.isfinite(power) else 0.0
            self.way_km += math.hypot(fix.vn_mps, fix.ve_mps) * dt_s / 1000.0
        series = self.record.series
        if not series or status.t_s >= series[-1][0] + SERIES_S:
            home_km = self.harness.flight.distance_home_m / 1000.0
            row = [status.t_s, self.harness.charge_shown, home_km, self.used_wh, self.way_km]
            series.append([round(x, 4) for x in row])


def fly(task: Task) -> Record:
    """Fly and judge one flight."""
    scenario = load(task.scenario)
    plan = replace(load_flight(scenario.flight_path), alternates=())
    if task.stretched:
        scenario, plan = stretch(scenario, plan)
    harness = Harness(scenario, task.seed, plan=plan, members=task.members, points=task.points)
    limits = Limits(plan.policy.final_reserve_wh, plan.policy.min_cell_v)
    timeline = Timeline(limits)
    record = _blank(task, plan, harness)
    watcher = _Watcher(harness, record, timeline)
    flight = harness.flight
    timeline.keep(flight)
    while not (flight.done or flight.pilot.returning or _alerted(record, task.sweep)):
        for heard in harness.step():
            watcher.hear(heard.output)
        timeline.keep(flight)
    record.airborne_s = flight.t_s
    truth = task.truth or _truth(task, record, timeline, plan)
    record.t_star_s, record.bound_s, record.fault_s = truth.t_star_s, truth.bound_s, truth.fault_s
    _check_spreads(record, watcher, timeline, task)
    return record


def _truth(task: Task, record: Record, timeline: Timeline, plan: Plan) -> Truth:
    """By flying it: branches home, and the bound's futures where it is asked for."""
    star_s = timeline.latest_s(min(record.alert_s, record.airborne_s))
    fault_s, bound_s = min(record.fault_s, front_met_s(timeline)), math.nan
    if task.futures and star_s is not None:
        late = 1.0 - plan.policy.confidence
        bound_s = perfect_knowledge_s(timeline, star_s, late, task.futures, task.seed)
    return Truth(star_s, bound_s, fault_s)


def front_met_s(timeline: Timeline) -> float:
    """When the aircraft, along its plan, comes to feel a front that no forecast told of [s]."""
    for moment in timeline.snapshots:
        north, east, _ = offset_m(
            moment.home_lat, moment.home_lon, moment.body.lat, moment.body.lon
        )
        if moment.air.behind_front(moment.t_s, north, east) > FRONT_FELT:
            return moment.t_s
    return math.inf


def stretch(scenario: Scenario, plan: Plan) -> tuple[Scenario, Plan]:
    """Hold the last point at which the aircraft does not land for ``HELD_S``."""
    last = max(i for i, point in enumerate(plan.route) if not point.land)
    theirs, ours = list(scenario.plan.route), list(plan.route)
    theirs[last] = replace(theirs[last], loiter_s=HELD_S)
    ours[last] = replace(ours[last], loiter_s=HELD_S)
    mission = replace(scenario.plan, route=tuple(theirs))
    return replace(scenario, plan=mission), replace(plan, route=tuple(ours))


def _blank(task: Task, plan: Plan, harness: Harness) -> Record:
    faults = harness.flight.scenario.faults
    return Record(
        scenario=task.scenario,
        seed=task.seed,
        stretched=task.stretched,
        swept=task.sweep,
        reaction_s=plan.policy.reaction_s,
        nameplate_wh=plan.pack.nameplate_wh,
        reserve_wh=plan.policy.final_reserve_wh,
        fault_s=min((fault.at_s for fault in faults if fault.kind in SUDDEN), default=math.inf),
    )


def _alerted(record: Record, sweep: bool) -> bool:
    known = not sweep or len(record.alerts) == len(CONFIDENCES)
    return math.isfinite(record.alert_s) and known


def _check_spreads(record: Record, watcher: _Watcher, timeline: Timeline, task: Task) -> None:
    """Turn back in truth at a few of the moments, and compare with what was foreseen there."""
    flown = [m for m in watcher.moments if m[0] > 120.0 and m[0] <= record.alert_s + 1.0]
    for share in range(1, task.checks + 1):
        if not flown:
            return
        t_s, forecast = flown[round(share / task.checks * (len(flown) - 1))]
        timeline.margin_wh(t_s)
        truth, numbers = timeline.outcomes[t_s], forecast.numbers
        if truth.landed:
            energy = numbers.landing_energy_wh
            row = (energy.p05, energy.p50, energy.p95, truth.energy_left_wh)
            record.checks.append(("landing_energy_wh", t_s, *row))
            volts = numbers.hover_cell_v
            row = (volts.p05, volts.p50, volts.p95, truth.lowest_cell_v)
            record.checks.append(("hover_cell_v", t_s, *row))
        star, left = record.t_star_s, numbers.turn_back_s
        if star is not None and math.isfinite(star):
            record.checks.append(("turn_back_s", t_s, left.p05, left.p50, left.p95, star - t_s))
