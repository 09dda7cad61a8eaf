"""One plain sentence for each condition: what, by how much, until when. Advice, not commands.

Written for someone tired, in the dark, who reads one line. The numbers come first-hand from the
situation; nothing here computes.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from supervisor.core.conclusions import FlightEnd, FourNumbers, Level
from supervisor.core.decide.rules import IN_DOUBT, Situation


def minutes(seconds: float) -> str:
    """``"12 min"``, ``"50 s"``, or words for never. Rounded down: no more than there is."""
    if not math.isfinite(seconds):
        return "not within the plan"
    if seconds < 0:
        return "now"
    whole = math.floor(seconds)
    return f"{whole // 60} min" if whole >= 120 else f"{whole} s"


def percent(chance: float) -> str:
    """A chance in whole per cent, never rounded up to certainty nor down to none."""
    if not math.isfinite(chance):
        return "unknown"
    if chance > 0.99:
        return "over 99 %"
    return "under 1 %" if chance < 0.01 else f"{100 * chance:.0f} %"


KEPT = "with reserve and voltage"  # what a chance of landing at home means


def _energy(s: Situation, numbers: FourNumbers | None) -> str:
    if numbers is None:
        return ""
    spread = numbers.above_reserve_wh
    side = "above" if spread.p50 >= 0 else "below"
    start = "It should land" if s.homeward else "Turning now would land"
    return (
        f" {start} {abs(spread.p50):.0f} Wh {side} the reserve "
        f"({spread.p05:+.0f} to {spread.p95:+.0f})."
    )


def _turn_back_now(s: Situation, n: FourNumbers | None) -> str:
    if s.covered < s.confidence - 0.005:  # else it would read as the confidence itself
        why = f"{percent(s.covered)} to land at home {KEPT}, and going on lowers it"
    else:
        why = f"going on takes the chance to land at home {KEPT} below {_asked(s)}"
    return f"Turn back now: {why}.{_energy(s, n)}"


def _asked(s: Situation) -> str:
    """The policy's confidence as its author wrote it, not rounded."""
    return f"{100 * s.confidence:.4g} %"


def _turn_back_soon(s: Situation, n: FourNumbers | None) -> str:
    when = "now" if s.turn_back_safe_s <= 0.0 else f"in {minutes(s.turn_back_safe_s)}"
    why = f"then the chance to land at home {KEPT} falls below {_asked(s)}"
    return f"Be ready to turn back {when}: {why}.{_energy(s, n)}"


def _home_not_covered(s: Situation, n: FourNumbers | None) -> str:
    lost = "likely to fall short" if s.over_pad else "likely out of reach"
    what, word = "The landing" if s.over_pad else "Home", lost if s.covered < 0.5 else "in doubt"
    chance = percent(s.covered)
    return f"{what} is {word}: {chance} to land {KEPT}.{_short(s, n)}{_energy(s, n)}"


def _short(s: Situation, n: FourNumbers | None) -> str:
    """Which of energy and voltage runs short: what holds with the lower chance, or both."""
    if n is None or not math.isfinite(s.energy_holds + s.hover_holds):
        return ""
    volts = f"voltage in the landing hover (lowest cell about {n.hover_cell_v.p50:.2f} V)"
    if max(s.energy_holds, s.hover_holds) < IN_DOUBT:
        return f" Both run short, the energy and the {volts}."
    if s.energy_holds <= s.hover_holds:
        return " It is the energy that runs short."
    return f" It is the {volts} that runs short, not the energy."


def _divert(s: Situation, _n: FourNumbers | None) -> str:
    return (
        f"Consider diverting to {s.best_alternate}: {percent(s.best_alternate_covered)} there, "
        f"{percent(s.covered)} at home."
    )


def _land_now(s: Situation, _n: FourNumbers | None) -> str:
    text = (
        "No planned site can be reached any more. Better put it down now, by choice and under "
        "power, clear of people, than where the pack gives out."
    )
    if s.nearest is None:
        return text
    far, where = s.nearest, math.degrees(s.nearest.bearing_rad)
    text += (
        f" Nearest known ground: {far.name}, {_km(far.distance_m)} on {where:03.0f}, "
        f"{far.below_m:.0f} m below."
    )
    return text + (f" Charge for about {_km(s.range_left_m)}." if s.range_left_m >= 0.0 else "")


def _km(metres: float) -> str:
    return f"{metres / 1000:.1f} km" if metres >= 950.0 else f"{metres:.0f} m"


def _plan_not_covered(s: Situation, _n: FourNumbers | None) -> str:
    return (
        f"The whole plan has a chance of {percent(s.completion)}; "
        f"expect to turn in {minutes(s.turn_back_safe_s)}."
        if math.isfinite(s.turn_back_safe_s)
        else f"The whole plan has a chance of {percent(s.completion)}."
    )


def _hover_margin(s: Situation, n: FourNumbers | None) -> str:
    volts = "" if n is None else f"; lowest cell about {n.hover_cell_v.p50:.2f} V"
    return f"{percent(s.hover_holds)} that the landing hover holds its voltage{volts}."


def _headwind_home(s: Situation, _n: FourNumbers | None) -> str:
    return (
        f"The wind against the way home is {s.headwind_excess_mps:.0f} m/s stronger than forecast "
        f"and costs about {s.headwind_cost_wh:.0f} Wh."
    )


def _budget_overrun(s: Situation, _n: FourNumbers | None) -> str:
    share = 100 * s.overrun_wh / s.nameplate_wh
    text = f"{s.overrun_wh:.0f} Wh more used than planned for here ({share:.0f} % of the pack)"
    if s.overrun_leg and s.overrun_leg_wh >= 1.0:
        text += f", {s.overrun_leg_wh:.0f} Wh of it on {s.overrun_leg}"
    return text + "."


def _pack_weak(s: Situation, _n: FourNumbers | None) -> str:
    return (
        f"The pack is weaker than its file says: resistance x {s.pack_resistance:.2f}, "
        f"capacity x {s.pack_capacity:.2f}."
    )


def _telemetry_stale(s: Situation, _n: FourNumbers | None) -> str:
    return f"No telemetry for {s.telemetry_age_s:.0f} s; all figures count on from the last known."


def _position_lost(_s: Situation, _n: FourNumbers | None) -> str:
    return "No trustworthy position; the way home is reckoned from the last one."


def _forecast_unsure(s: Situation, _n: FourNumbers | None) -> str:
    return f"The forecast is less sure than usual: {'; '.join(s.doubts) or 'cause unknown'}."


def _link_degraded(s: Situation, _n: FourNumbers | None) -> str:
    return f"The link is poor ({percent(s.link_quality)}); advisories may come late."


_SENTENCES: dict[str, Callable[[Situation, FourNumbers | None], str]] = {
    "turn-back-now": _turn_back_now,
    "turn-back-soon": _turn_back_soon,
    "home-not-covered": _home_not_covered,
    "divert": _divert,
    "land-now": _land_now,
    "plan-not-covered": _plan_not_covered,
    "hover-margin": _hover_margin,
    "headwind-home": _headwind_home,
    "budget-overrun": _budget_overrun,
    "pack-weak": _pack_weak,
    "telemetry-stale": _telemetry_stale,
    "position-lost": _position_lost,
    "forecast-unsure": _forecast_unsure,
    "link-degraded": _link_degraded,
}


def _turned(s: Situation) -> str:
    if s.homeward:
        return "the aircraft is homeward bound"
    if not math.isfinite(s.turn_back_safe_s):
        return "the rest of the plan and the way home fit again"
    return f"the margin is back, {minutes(s.turn_back_safe_s)} until it must turn"


def _home_again(s: Situation) -> str:
    return f"home is covered with {percent(s.covered)} again"


def _no_divert(s: Situation) -> str:
    if not s.best_alternate or s.covered > s.best_alternate_covered:
        return _home_again(s)
    return f"{s.best_alternate} is no better: {percent(s.best_alternate_covered)} there"


def _plan_again(s: Situation) -> str:
    if s.homeward:
        return "the aircraft has turned back, the plan no longer counts"
    return f"the whole plan has a chance of {percent(s.completion)} again"


def _headwind_gone(s: Situation) -> str:
    return (
        f"{s.headwind_excess_mps:+.0f} m/s against the forecast, {s.headwind_cost_wh:.0f} Wh, "
        "is no longer much"
    )


_ENDED: dict[str, str | Callable[[Situation], str]] = {
    "turn-back-now": _turned,
    "turn-back-soon": _turned,
    "home-not-covered": _home_again,
    "divert": _no_divert,
    "land-now": "a planned site is within reach again",
    "plan-not-covered": _plan_again,
    "hover-margin": lambda s: f"{percent(s.hover_holds)} that the landing hover holds",
    "headwind-home": _headwind_gone,
    "budget-overrun": lambda s: f"{s.overrun_wh:+.0f} Wh against the plan",
    "pack-weak": lambda s: (
        f"resistance x {s.pack_resistance:.2f}, capacity x {s.pack_capacity:.2f}"
    ),
    "telemetry-stale": "telemetry is back",
    "position-lost": "position is back",
    "forecast-unsure": "nothing is in doubt any more",
    "link-degraded": lambda s: f"link quality is {percent(s.link_quality)}",
}
# Of home's own conditions a stop on the way ends none.
HOME_ENDS = frozenset({"home-not-covered", "divert", "hover-margin"})
LANDED_ENDS = frozenset(_ENDED) - {"pack-weak", "telemetry-stale", "link-degraded"}


def sentence(
    condition: str,
    level: Level,
    s: Situation,
    numbers: FourNumbers | None,
    before: Level = Level.NORMAL,
) -> str:
    """The sentence to publish for ``condition`` at ``level``; ``before``: its level until now."""
    if level is Level.NORMAL:
        return f"Ended: {condition.replace('-', ' ')} ({_ended(condition, s)})."
    text = _SENTENCES[condition](s, numbers)
    return f"Eased from {before.value}: {text}" if level.rank < before.rank else text


def _ended(condition: str, s: Situation) -> str:
    """Why a condition has ended."""
    if s.landed:
        return f"landed {s.landed.place}"
    standing = not (s.away if condition in HOME_ENDS else s.airborne)
    if standing and condition in LANDED_ENDS:
        return "the aircraft is on the ground"
    why = _ENDED[condition]
    return why if isinstance(why, str) else why(s)


def again(text: str, reminders: int, unheeded_s: float) -> str:
    """The same said again to someone who has not acknowledged it."""
    times = "" if reminders < 2 else f", said {reminders + 1} times"
    return f"Not acknowledged for {minutes(unheeded_s)}{times}: {text}"


def headline(s: Situation, numbers: FourNumbers | None, worst: str) -> str:
    """The status in one sentence: the worst condition's, or how good it looks."""
    if s.landed:
        return _landed(s.landed)
    if numbers is None:
        return "Waiting for enough telemetry to foresee the way home."
    if worst:
        return sentence(worst, Level.CAUTION, s, numbers)
    chance, energy = percent(s.covered), _energy(s, numbers)
    if s.stopped:
        return f"On the ground on the way: {chance} to land at home {KEPT}.{energy}"
    if not s.airborne:
        return f"On the ground. The whole plan has a chance of {percent(s.completion)}."
    if s.homeward:
        return f"On the way home: {chance} to land {KEPT}.{energy}"
    if not math.isfinite(s.turn_back_safe_s):
        return f"Fine: the rest of the plan and the way home fit ({percent(s.completion)})."
    if s.turn_back_safe_s <= 0.0:  # seen by too few looks to be advised
        return f"The turn is near: {chance} to land at home {KEPT}.{energy}"
    return f"Fine: {minutes(s.turn_back_safe_s)} until it must turn.{energy}"


def _landed(end: FlightEnd) -> str:
    left, above = end.energy_wh, end.above_reserve_wh.p50
    side = "above" if above >= 0.0 else "below"
    return (
        f"Landed: {end.place} with {left.p50:.0f} Wh ({left.p05:.0f} to {left.p95:.0f}), "
        f"{abs(above):.0f} Wh {side} the reserve."
    )
