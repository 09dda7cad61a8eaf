"""Go, no-go, or go with conditions: one page of rules, each with its reason in words.

Homeleg advises; the remote pilot decides.
"""

from __future__ import annotations

import math

from supervisor.budget.answer import Finding, TurnHere, Verdict, Weight
from supervisor.budget.chance import Odds
from supervisor.core.plan import Flight, Policy

# Below this chance the plan as a whole is no plan: it would more likely be broken off than flown.
# Above it, and below the policy's confidence, it may be begun and turned back from. Ours.
HOPELESS = 0.5
# Figures on which the whole budget rests; where they were guessed, that is a condition.
SERIOUS = ("aircraft.measured", "pack.capacity", "pack.cell", "weather.wind")


def judge(
    flight: Flight, chance: Odds, turns: tuple[TurnHere, ...], findings: list[Finding]
) -> tuple[Verdict, tuple[str, ...], tuple[str, ...]]:
    """(verdict, reasons, conditions)."""
    against = [*_odds_against(flight, chance, turns)]
    against += [f.sentence for f in findings if f.weight is Weight.FAULT]
    if against:
        return Verdict.NO_GO, tuple(against), ()
    conditions = [*_turn_back_condition(flight, chance, turns)]
    conditions += [f.sentence for f in findings if f.weight is Weight.CAUTION]
    conditions += _guess_condition(flight)
    odds = chance.chances
    good = (
        f"The whole plan lands with {kept_words(flight.policy)} and {flight.policy.min_cell_v:g} V "
        f"a cell with a chance of {percent(odds.completion)}; asked is "
        f"{percent(flight.policy.confidence)}."
    )
    verdict = Verdict.CONDITIONS if conditions else Verdict.GO
    return verdict, (good,), tuple(conditions)


def _odds_against(flight: Flight, chance: Odds, turns: tuple[TurnHere, ...]) -> list[str]:
    odds, confidence = chance.chances, flight.policy.confidence
    if odds.completion >= HOPELESS and turns[0].chance >= confidence:
        return []
    if turns[0].chance < confidence:
        return [
            f"Even from {turns[0].waypoint} the way home is covered with "
            f"{percent(turns[0].chance)}; asked is {percent(confidence)}."
        ]
    worse = "voltage under load" if odds.voltage < odds.reserve else "energy"
    return [
        f"The whole plan lands with {kept_words(flight.policy)} and the voltage held with a chance "
        f"of {percent(odds.completion)}; it is the {worse} that runs short."
    ]


def _turn_back_condition(flight: Flight, chance: Odds, turns: tuple[TurnHere, ...]) -> list[str]:
    confidence = flight.policy.confidence
    safe_s = chance.turn_back_safe_s
    if chance.chances.completion >= confidence:
        return []
    if not math.isfinite(safe_s):
        return [
            f"The chance is below the {percent(confidence)} asked: fly on only while the turn-back "
            "time shown in flight is above zero."
        ]
    covered = [t for t in turns if t.chance >= confidence]
    last = covered[-1].waypoint if covered else turns[0].waypoint
    return [
        f"Beyond {last} go on only while the turn-back time shown in flight is above zero; "
        f"as planned the aircraft must turn {safe_s / 60:.0f} min after take-off."
    ]


def _guess_condition(flight: Flight) -> list[str]:
    serious = [g for g in flight.guessed if g.startswith(SERIOUS)]
    if not serious:
        return []
    one = len(serious) == 1
    return [
        f"{'One figure is an estimate' if one else f'{len(serious)} figures are estimates'} "
        f"({'; '.join(serious)}): measure {'it' if one else 'them'} on a short flight near home "
        "first."
    ]


def kept_words(policy: Policy) -> str:
    """What a landing at home must leave: the final reserve, and the alternate's leg if kept."""
    return "the final reserve" + (" and the alternate leg" if policy.alternate_wh else "")


def percent(chance: float) -> str:
    """99.3 %, but never 100 % of some members, nor 0 %."""
    if chance >= 0.9975:
        return "over 99.7 %"
    if chance <= 0.0025:
        return "under 0.3 %"
    return f"{100 * chance:.0f} %" if 0.1 <= chance <= 0.9 else f"{100 * chance:.1f} %"
