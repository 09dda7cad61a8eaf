"""A worse day and what would help, each flown and judged."""

from __future__ import annotations

from dataclasses import replace

from supervisor.budget import variants
from supervisor.budget.answer import Variant
from supervisor.budget.as_learned import as_learned
from supervisor.budget.chance import Odds, odds
from supervisor.budget.layout import OnPaper
from supervisor.core.estimate.prior import Prior
from supervisor.core.paper.returns import returns_from
from supervisor.core.paper.sortie import fine, fly, on_paper, outbound
from supervisor.core.plan import Flight
from supervisor.flightmodels import PolicySection
from supervisor.reserves import kept_at_home_wh, renewed

MEASURES = 3
POINTS = 16
PART_S = 180.0
LEAST_GAIN_SHARE = 0.002  # of the pack, below which a measure is not worth a line


def _landing(flight: Flight, prior: Prior) -> tuple[float, float]:
    """(energy at touch-down, hover voltage) of the whole plan on paper."""
    paper = on_paper(replace(as_learned(flight, prior), alternates=()))
    out = fly(paper, fine(outbound(paper), PART_S))
    home, *_ = returns_from(paper, out)
    return float(home.landing_wh[-1]), float(home.hover_v[-1])


def judged(change: variants.Change, policy: PolicySection, base_wh: float, prior: Prior) -> Variant:
    """``change`` flown on paper and foreseen; ``base_wh`` is what the plan itself lands with."""
    flight = renewed(policy, change.flight)
    landing_wh, hover_v = _landing(flight, prior)
    chance = odds(flight, prior, points=POINTS)
    return Variant(
        change.name,
        landing_wh,
        landing_wh - base_wh,
        kept_at_home_wh(flight.policy),
        hover_v,
        chance.chances.completion,
        chance.turn_back_safe_s,
    )


def best_measures(
    policy: PolicySection, flight: Flight, prior: Prior, chance: Odds, plan: OnPaper, base_wh: float
) -> list[Variant]:
    """The measures that gain most energy at landing; turning earlier first where it must be."""
    least = LEAST_GAIN_SHARE * flight.pack.nameplate_wh
    ranked = [(_landing(c.flight, prior)[0] - base_wh, c) for c in variants.helps(flight)]
    ranked = sorted((r for r in ranked if r[0] > least), key=lambda r: -r[0])
    best = _different([c for _, c in ranked])[: MEASURES if _safe(flight, chance) else MEASURES - 1]
    if not _safe(flight, chance):
        turn = _last_safe_turn(flight, chance, plan)
        best = ([turn] if turn else []) + best
    return [judged(c, policy, base_wh, prior) for c in best]


def _safe(flight: Flight, chance: Odds) -> bool:
    return chance.chances.completion >= flight.policy.confidence


def _last_safe_turn(flight: Flight, chance: Odds, plan: OnPaper) -> variants.Change | None:
    """The farthest route point from which home is covered at the policy's confidence."""
    for turn_index in range(len(flight.route) - 1, -1, -1):
        k = plan.out.end_of(turn_index)
        if chance.chance_at(float(plan.out.t_s[k])) >= flight.policy.confidence:
            return variants.turned_at(flight, turn_index)
    return None


def _different(changes: list[variants.Change]) -> list[variants.Change]:
    """The best of each kind: of three airspeeds, one."""
    first: dict[str, variants.Change] = {}
    for change in changes:
        first.setdefault(change.kind, change)
    return list(first.values())
