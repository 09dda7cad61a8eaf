"""From a recording to its debrief."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from supervisor import messages
from supervisor.core.cells import pack_energy_wh
from supervisor.core.plan import Flight
from supervisor.debrief.answer import (
    Debrief,
    Event,
    Foreseen,
    Line,
    PackHealth,
    Quality,
    TurnBack,
    WindBand,
)
from supervisor.debrief.causes import HOVER, find_causes
from supervisor.debrief.flown import AFTER, BEFORE, HOME, Flown, WindSeen, read_flight
from supervisor.debrief.planned import PlannedFlight, plan_flight
from supervisor.debrief.readings import observations
from supervisor.debrief.said import Acknowledgement, Said, hear_again
from supervisor.edge.recording import Recording
from supervisor.errors import InputError
from supervisor.held import Held, held
from supervisor.recordings import damage_words

NAN = math.nan
BAND_M = 40.0
PHASES = (
    "ground", "take-off", "transition", "climb", "cruise", "loiter", "descent", "landing",
)  # fmt: skip


def make_debrief(recording: Recording, flight: Flight, where: str) -> Debrief:
    """Everything that ``homeleg debrief`` says about one recording."""
    flown = read_flight(flight, observations(recording))
    if not flown.blocks or flown.take_off_s != flown.take_off_s:
        raise InputError(where, "no flight in it: the aircraft never left the ground")
    if len(flown.pack.t_s) < 2:
        raise InputError(where, "the pack's voltage and current are not in it")
    said = hear_again(recording, flight)
    plan = plan_flight(flight)
    landing = _landing(said)
    start_wh, landing_wh = _start_wh(flight, flown) - landing.beyond_wh, landing.middle_wh
    return Debrief(
        flight=flight,
        plan=plan,
        flown=flown,
        replayed=said.replayed,
        start_wh=start_wh,
        landing=landing,
        lines=tuple(_lines(flight, plan, flown)),
        causes=find_causes(flight, plan, flown, landing_wh),
        legs=leg_names(flight),
        foreseen=(foreseen := tuple(_foreseen(flight, said, flown))),
        # without a landing nothing has come that a forecast could be held against
        quality=_quality(foreseen, landing_wh if flown.landing_s == flown.landing_s else NAN),
        events=tuple(_events(said)),
        winds=tuple(_bands(flown.winds)),
        pack=_pack(flight, flown, start_wh, landing_wh),
        turn_back=_turn_back(flight, flown, said, landing_wh),
        cautions=tuple(_cautions(recording, flown, said)),
    )


def leg_names(flight: Flight) -> tuple[str, ...]:
    """By leg index; the last is the home leg."""
    return (*(f"to {w.name}" for w in flight.route), HOME)


def _cautions(recording: Recording, flown: Flown, said: Said) -> list[str]:
    found = []
    if words := damage_words(recording.damaged, recording.complete):
        found.append(f"The recording is {words}; everything readable was used.")
    if flown.landing_s != flown.landing_s:
        found.append("The recording ends in the air: landing figures are those of its last moment.")
    if said.replayed:
        found.append("Forecasts were made afterwards from the recorded frames, none were recorded.")
    return found


def _start_wh(flight: Flight, flown: Flown) -> float:
    """What the mean cell held before take-off, with the capacity as it is known afterwards."""
    capacity_ah = flight.pack.capacity_ah * math.exp(flown.lessons.pack.log_mean[1])
    return float(pack_energy_wh(flight.pack, flight.pack.initial_charge, capacity_ah))


def _landing(said: Said) -> Held:
    """What the monitor itself believed at the end."""
    for status in reversed(said.statuses):
        if (found := held(status)) is not None:
            return found
    return Held(NAN, NAN, NAN)


def _lines(flight: Flight, plan: PlannedFlight, flown: Flown) -> list[Line]:
    """Planned and flown by leg and phase, in order of flight."""
    names = leg_names(flight)
    table: dict[tuple[str, str], list[float]] = {}
    order = [BEFORE, *names, AFTER]
    for step in plan.steps:
        row = table.setdefault((names[step.leg], step.phase), [0.0] * 4)
        row[0] += step.energy_wh
        row[2] += step.seconds
    for block in flown.blocks:
        leg = names[min(block.leg, len(names) - 1)]
        if block.t_s < flown.take_off_s:
            leg = BEFORE
        elif block.t_s >= flown.landing_s:
            leg = AFTER
        phase = block.phase
        if phase == "landing" and leg != HOME and (leg, phase) not in table:
            phase = "transition"  # a short hover that the plan has no landing for
        row = table.setdefault((leg, phase), [0.0] * 4)
        row[1] += block.energy_wh
        row[3] += block.seconds
    keys = sorted(table, key=lambda k: (order.index(k[0]), PHASES.index(k[1])))
    return [Line(*key, *table[key]) for key in keys]


def _foreseen(flight: Flight, said: Said, flown: Flown) -> list[Foreseen]:
    rows: list[Foreseen] = []
    for status in said.statuses:
        if status.numbers is None or not flown.take_off_s <= status.t:
            continue
        if status.t > flown.landing_s or status.phase == "ground":
            break
        low, middle, high = status.numbers.landing_energy_wh
        if low is None or middle is None or high is None:
            continue
        homeward = status.t >= flown.turn_s
        rows.append(Foreseen(status.t, low, middle, high, "home" if homeward else "now"))
        if not homeward:
            rows += _for_the_turn(status, flown.turn_s, flight.policy.final_reserve_wh)
    return rows


def _for_the_turn(status: messages.Status, turn_s: float, reserve_wh: float) -> list[Foreseen]:
    """What was predicted for a turn at the time at which it later turned."""
    minutes = (turn_s - status.t) / 60.0
    if not status.ahead or not status.ahead[0][0] <= minutes <= status.ahead[-1][0]:
        return []
    table = np.array(status.ahead, dtype=float).T
    low, middle, high = (float(np.interp(minutes, table[0], row)) for row in table[1:])
    return [Foreseen(status.t, low + reserve_wh, middle + reserve_wh, high + reserve_wh, "then")]


def _quality(foreseen: tuple[Foreseen, ...], came_wh: float) -> Quality:
    rows = [f for f in foreseen if f.kind != "now"]
    if not rows or came_wh != came_wh:
        return Quality(0, NAN, NAN, NAN)
    inside = [f.p05_wh <= came_wh <= f.p95_wh for f in rows]
    return Quality(
        count=len(rows),
        inside=sum(inside) / len(rows),
        bias_wh=sum(f.p50_wh - came_wh for f in rows) / len(rows),
        width_wh=sum(f.p95_wh - f.p05_wh for f in rows) / len(rows),
    )


def _events(said: Said) -> list[Event]:
    """One for every time a condition rose or changed its level; reminders are counted."""
    rows: list[Event] = []
    open_rows: dict[str, int] = {}
    acks = {ack.seq: ack for ack in reversed(said.acks)}
    for a in said.advisories:
        at = open_rows.get(a.condition)
        if at is not None and a.level == rows[at].level:
            rows[at] = _acked(rows[at], a, acks, repeat=True)
            continue
        if at is not None:
            rows[at] = _ended(rows[at], a.t)
            del open_rows[a.condition]
        if a.level == "normal":
            continue
        open_rows[a.condition] = len(rows)
        event = Event(a.t, a.condition, a.level, a.sentence, NAN, "", NAN, 0)
        rows.append(_acked(event, a, acks, repeat=False))
    return rows


def _ended(event: Event, t_s: float) -> Event:
    return Event(
        event.t_s, event.condition, event.level, event.sentence, t_s, event.acked_by,
        event.acked_after_s, event.repeats,
    )  # fmt: skip


def _acked(
    event: Event, a: messages.Advisory, acks: Mapping[int, Acknowledgement], repeat: bool
) -> Event:
    ack = acks.get(a.seq)
    by, after = event.acked_by, event.acked_after_s
    if ack is not None and not by:
        by, after = ack.by, ack.t_s - event.t_s
    return Event(
        event.t_s, event.condition, event.level, event.sentence, event.ended_s, by, after,
        event.repeats + repeat,
    )  # fmt: skip


def _bands(winds: tuple[WindSeen, ...]) -> list[WindBand]:
    """By bands of height, lowest first."""
    groups: dict[int, list[WindSeen]] = {}
    for w in winds:
        groups.setdefault(int(w.height_m // BAND_M), []).append(w)
    return [_band(band, rows) for band, rows in sorted(groups.items())]


def _band(band: int, rows: list[WindSeen]) -> WindBand:
    met = np.mean([(w.n_mps, w.e_mps) for w in rows], axis=0)
    told = np.mean([(w.forecast_n_mps, w.forecast_e_mps) for w in rows], axis=0)
    return WindBand(
        low_m=band * BAND_M,
        high_m=(band + 1) * BAND_M,
        seconds=20.0 * len(rows),
        met_from_deg=from_deg(*met),
        met_mps=float(np.hypot(*met)),
        told_from_deg=from_deg(*told),
        told_mps=float(np.hypot(*told)),
        off_mps=float(np.hypot(*(met - told))),
    )


def from_deg(n_mps: float, e_mps: float) -> float:
    """Where a wind that blows toward (n, e) comes from [deg]."""
    return math.degrees(math.atan2(-e_mps, -n_mps)) % 360.0


def _pack(flight: Flight, flown: Flown, start_wh: float, landing_wh: float) -> PackHealth:
    lessons, seen = flown.lessons, flown.pack
    mean, sd = lessons.pack.log_mean, np.sqrt(np.diag(lessons.pack.log_cov))
    capacity = flight.pack.capacity_ah * math.exp(mean[1])
    cells = seen.lowest_cell_v
    known = bool(np.isfinite(cells).any())
    lowest = int(np.nanargmin(cells)) if known else 0
    warm = seen.temperature_c[np.isfinite(seen.temperature_c)]
    hover = [b for b in flown.blocks if b.phase in HOVER]
    return PackHealth(
        resistance=math.exp(mean[0]),
        resistance_sd=math.exp(mean[0]) * float(sd[0]),
        capacity_ah=capacity,
        capacity_sd_ah=capacity * float(sd[1]),
        stated_ah=flight.pack.capacity_ah,
        weakest_cell=lessons.weakest_cell + 1,
        weak_capacity=lessons.weak_capacity,
        lowest_cell_v=float(cells[lowest]) if known else NAN,
        lowest_cell_at_s=float(seen.t_s[lowest]) if known else NAN,
        start_c=float(warm[0]) if len(warm) else NAN,
        highest_c=float(warm.max()) if len(warm) else NAN,
        end_c=float(warm[-1]) if len(warm) else NAN,
        hover_wh=sum(b.energy_wh for b in hover),
        hover_peak_w=float(seen.power_w.max()),
        delivered_wh=seen.total_wh,
        heat_wh=start_wh - landing_wh - seen.total_wh,
    )


def _turn_back(flight: Flight, flown: Flown, said: Said, landing_wh: float) -> TurnBack:
    above = landing_wh - flight.policy.final_reserve_wh
    before = [s for s in said.statuses if s.numbers is not None and s.t <= flown.turn_s - 30.0]
    if not before or flown.turn_s != flown.turn_s:
        return TurnBack(flown.turn_s, NAN, NAN, NAN, NAN, above)
    last = before[-1]
    assert last.numbers is not None
    safe, expected = last.numbers.turn_back_safe_min, last.numbers.landing_energy_wh[1]
    place = next((b for b in flown.blocks if b.t_s >= flown.turn_s), flown.blocks[-1])
    left_s = NAN if safe is None else last.t + 60.0 * safe - flown.turn_s
    told = [e.t_s for e in _events(said) if e.condition == "turn-back-now" and e.level == "warning"]
    warned_s = flown.turn_s - min((t for t in told if t <= flown.turn_s), default=NAN)
    if warned_s == warned_s:
        left_s = flight.policy.reaction_s - warned_s
    return TurnBack(
        turn_s=flown.turn_s,
        safe_left_s=left_s,
        warned_s=warned_s,
        predicted_wh=NAN if expected is None else expected,
        distance_home_m=math.hypot(place.north_m, place.east_m),
        above_reserve_wh=above,
    )
