"""The debrief's sentences, shared by terminal and page."""

from __future__ import annotations

from supervisor.budget.text import clock, pack_words
from supervisor.debrief.answer import Debrief
from supervisor.debrief.causes import CAUSES

MEANING = {
    "route": "track, heights and places that differ from the plan",
    "wind": "wind met instead of forecast",
    "airspeed": "airspeed and turns other than planned",
    "drag": "power on the wing over the flight file's figures",
    "hover": "take-off, transition, landing",
    "delay": "loitering and time on the ground",
    "pack": "charge, capacity and heat in the pack",
}

# The turn shows where it was farthest out: that is some way into the turn that was asked for, on
# positions a second apart. So much later than asked is on time.
ON_TIME_S = 30.0


def tone(d: Debrief) -> str:
    """Of the verdict's box: go, conditions, no-go."""
    if d.above_reserve_wh < 0.0 or d.pack.lowest_cell_v < d.flight.policy.min_cell_v:
        return "no-go"
    warned = any(e.level == "warning" for e in d.events)
    doubted = d.landing.low_wh < d.flight.policy.final_reserve_wh
    return "conditions" if warned or doubted else "go"


def headline(d: Debrief) -> str:
    """One line."""
    landed = "Landed" if d.flown.landing_s == d.flown.landing_s else "Last heard"
    side = "above" if d.above_reserve_wh >= 0.0 else "below"
    reserve = f"{abs(d.above_reserve_wh):.0f} Wh {side} the final reserve ({reserve_range(d)})"
    least = d.flight.policy.min_cell_v
    low = ""
    if d.pack.lowest_cell_v < least:
        low = f"; a cell fell to {d.pack.lowest_cell_v:.3f} V of the {least:g} V wanted"
    return f"{landed} with {d.landing_wh:.0f} Wh ({landing_range(d)}), {reserve}{low}"


def landed_words(d: Debrief) -> str:
    """132 (108 to 157): what was left, and its range."""
    return f"{d.landing_wh:.0f} ({landing_range(d)})"


def landing_range(d: Debrief) -> str:
    """108 to 157: what the monitor's belief leaves open, 5th to 95th percentile."""
    return f"{d.landing.low_wh:.0f} to {d.landing.high_wh:.0f}"


def reserve_range(d: Debrief) -> str:
    """The same above the final reserve: +20 to +69."""
    reserve_wh = d.flight.policy.final_reserve_wh
    return f"{d.landing.low_wh - reserve_wh:+.0f} to {d.landing.high_wh - reserve_wh:+.0f}"


def sentences(d: Debrief) -> list[str]:
    """What a tired pilot needs to know, most important first."""
    found = [_difference(d), _turn(d), _voltage(d)]
    return [s for s in found if s]


def _difference(d: Debrief) -> str:
    worst = sorted(CAUSES, key=lambda c: -abs(d.causes.total_wh[c]))[:3]
    parts = ", ".join(f"{c} {-d.causes.total_wh[c]:+.0f}" for c in worst)
    plan = d.plan.landing_wh
    planned = f"have left {plan:.0f} Wh" if plan >= 0.0 else f"be {-plan:.0f} Wh short"
    return f"The whole plan would {planned}. What moved it most, in Wh: {parts}."


def _turn(d: Debrief) -> str:
    turn = d.turn_back
    if turn.turn_s != turn.turn_s:
        return ""
    when = clock(turn.turn_s - d.flown.take_off_s)
    text = f"Turned for home after {when}, {turn.distance_home_m / 1000:.1f} km out"
    if turn.warned_s == turn.warned_s:
        allowed = f"which allows {d.flight.policy.reaction_s:.0f} s to react"
        text += f", {spare(d)}: {turn.warned_s:.0f} s after turn-back-now, {allowed}"
    elif turn.safe_left_s == turn.safe_left_s:
        side = "before" if turn.safe_left_s >= 0.0 else "after"
        text += f", {abs(turn.safe_left_s) / 60:.0f} min {side} the turn-back time advised"
    return f"{text}. {_left_over(d)}".rstrip()


def spare(d: Debrief) -> str:
    """How the turn stands to the advice: ample, 12 min early, on time, 2 min late."""
    left_s, warned = d.turn_back.safe_left_s, d.turn_back.warned_s == d.turn_back.warned_s
    if left_s != left_s:
        return "ample"
    if left_s >= -ON_TIME_S and (warned or left_s <= ON_TIME_S):
        return "on time"
    return f"{abs(left_s) / 60:.0f} min {'early' if left_s > 0.0 else 'late'}"


def _left_over(d: Debrief) -> str:
    """What the decision left over, as time: half of it out, half of it back."""
    cruise = [x for x in d.lines if x.phase == "cruise"]
    hours = sum(x.flown_s for x in cruise) / 3600.0
    if d.above_reserve_wh <= 0.0 or hours <= 0.0:
        return ""
    power_w = sum(x.flown_wh for x in cruise) / hours
    minutes = 60.0 * d.above_reserve_wh / power_w / 2.0
    return (
        f"The {d.above_reserve_wh:.0f} Wh left over were worth about {minutes:.0f} min farther out "
        "and back, at the power flown."
    )


def _voltage(d: Debrief) -> str:
    p = d.pack
    if p.lowest_cell_v != p.lowest_cell_v:
        return ""
    when = clock(p.lowest_cell_at_s - d.flown.take_off_s)
    least = d.flight.policy.min_cell_v
    return f"Lowest cell {p.lowest_cell_v:.3f} V after {when} (at least {least:g} V wanted)."


def quality(d: Debrief) -> str:
    """How good the forecasts of the way home were."""
    q = d.quality
    if q.count == 0:
        return "No landing came that a forecast could be judged by."
    return (
        f"{100 * q.inside:.0f} % of {q.count} forecasts held the landing that came within "
        f"their 90 % band ({q.width_wh:.0f} Wh wide on average); their median was "
        f"{abs(q.bias_wh):.0f} Wh {'too high' if q.bias_wh > 0.0 else 'too low'} on average."
    )


def pack_rows(d: Debrief) -> list[tuple[str, str]]:
    """Pack health, as name and words."""
    p = d.pack
    weak = "cells are not told apart"
    if p.weakest_cell > 0:
        weak = f"number {p.weakest_cell}, {100 * p.weak_capacity:.1f} % smaller than the mean"
    return [
        (
            "Capacity",
            f"{p.capacity_ah:.2f} ± {p.capacity_sd_ah:.2f} Ah (1 sigma), leaning on the "
            f"{p.stated_ah:g} Ah stated",
        ),
        ("Resistance", f"{p.resistance:.2f} ± {p.resistance_sd:.2f} of a new cell's"),
        ("Weakest cell", weak),
        ("Temperature", f"{p.start_c:.0f} °C first, {p.highest_c:.0f} at most, {p.end_c:.0f} last"),
        ("In hover", f"{p.hover_wh:.0f} Wh, at most {p.hover_peak_w:.0f} W"),
        (
            "Energy",
            f"{pack_words(d.flight.pack, d.plan.start_wh)} as planned; as the flight showed it, it "
            f"held {d.start_wh:.0f} Wh, gave {p.delivered_wh:.1f} Wh at the terminals, kept "
            f"{d.landing_wh:.0f} Wh ({landing_range(d)}); {_heat(p.heat_wh)}",
        ),
    ]  # fmt: skip


def _heat(heat_wh: float) -> str:
    """A small difference of two beliefs: of a short flight it may come out below nothing."""
    if heat_wh < 1.0:
        return "its heat was too little to be told from the current sensor's error"
    return f"{heat_wh:.0f} Wh became heat (with the current sensor's error in it)"
