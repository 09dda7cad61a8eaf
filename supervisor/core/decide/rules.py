"""From numbers to alerts: one table of rules, hysteresis, minimum hold, reminders.

Every rule says which level its condition deserves in a situation, given the level it has now (so
that a rule carries its own hysteresis). The machine below it is the same for all: a level must be
wanted for ``persist_s`` before it rises, and a lower one for ``hold_s`` before it falls; what
nobody acknowledges is said again, at growing intervals. Levels after 14 CFR 25.1322(a); the alert
is removed when the condition ends (25.1322(a)(3)).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from supervisor.core.conclusions import FlightEnd, Level
from supervisor.core.decide.nearest import Ground

# Probability of landing at home with the reserve below which home counts as in doubt, and as lost.
# Ours: "in doubt" is where one landing in ten touches the reserve; "lost" is more likely than not.
IN_DOUBT, LOST = 0.90, 0.50
# A site that was out of reach counts as within it again from this chance on.
BARELY = 0.20
# In doubt and lost for the voltage in the landing hover alone.
HOVER_THIN, HOVER_BAD = 0.95, 0.70
# Silence on the link that counts as stale; a heartbeat comes every second (MAVLink, minimal).
STALE_S, STALE_WARNING_S = 5.0, 60.0
REMIND_AFTER_S = 60.0


@dataclass(frozen=True, slots=True)
class Situation:
    """What the rules look at, at one moment. NaN where there is no forecast.

    ``overrun_leg``: the leg that took most more than planned, and how much; ``nearest``: known
    ground, for the case that no site is left, and how far the charge still carries. ``stopped``:
    on the ground on the way, a delivery say; ``landed``: on the ground, and the flight is over.
    """

    t_s: float
    airborne: bool
    homeward: bool
    turn_back_safe_s: float
    soon_lead_s: float
    confidence: float
    covered: float
    completion: float
    hover_holds: float
    best_alternate: str
    best_alternate_covered: float
    any_site_reachable: bool
    headwind_excess_mps: float
    headwind_cost_wh: float
    overrun_wh: float
    nameplate_wh: float
    pack_resistance: float
    pack_capacity: float
    telemetry_age_s: float
    position_age_s: float
    fix_ok: bool
    doubts: tuple[str, ...]
    link_quality: float
    overrun_leg: str = ""
    overrun_leg_wh: float = math.nan
    nearest: Ground | None = None
    range_left_m: float = math.nan
    over_pad: bool = False  # on the rotors over home's pad
    energy_holds: float = math.nan  # chance of the reserve at home, whatever the voltage does
    stopped: bool = False
    landed: FlightEnd | None = None
    voltage_refused: bool = False  # the pack's, as its monitor tells it

    @property
    def away(self) -> bool:
        """Home is still to be reached: in the air, or from a stop on the way."""
        return self.airborne or self.stopped


LevelOf = Callable[[Situation, Level], Level]


@dataclass(frozen=True, slots=True)
class Rule:
    """One condition: the level it deserves, and how stubborn it is.

    ``under``: a graver condition; while that holds, this one neither rises nor is said again.
    """

    condition: str
    level_of: LevelOf
    persist_s: float = 0.0
    hold_s: float = 20.0
    under: str = ""


def _below(value: float, enter: float, leave: float, held: bool) -> bool:
    """Schmitt trigger: true below ``enter``, and then until above ``leave``. NaN is never below."""
    return value < (leave if held else enter)


def _above(value: float, enter: float, leave: float, held: bool) -> bool:
    return value > (leave if held else enter)


def _turn_back_now(s: Situation, now: Level) -> Level:
    if not s.airborne or s.homeward or s.over_pad:
        return Level.NORMAL
    due = _below(s.turn_back_safe_s, 1e-9, 0.5 * s.soon_lead_s, now is Level.WARNING)
    return Level.WARNING if due else Level.NORMAL


def _turn_back_soon(s: Situation, now: Level) -> Level:
    if not s.airborne or s.homeward or s.over_pad:
        return Level.NORMAL
    lead = s.soon_lead_s
    near = _below(s.turn_back_safe_s, lead, 1.2 * lead + 30.0, now is Level.CAUTION)
    return Level.CAUTION if near else Level.NORMAL


def _home_not_covered(s: Situation, now: Level) -> Level:
    if not s.away:
        return Level.NORMAL
    if _below(s.covered, LOST, LOST + 0.1, now is Level.WARNING):
        return Level.WARNING
    doubt = _below(s.covered, IN_DOUBT, IN_DOUBT + 0.05, now.rank >= Level.CAUTION.rank)
    return Level.CAUTION if doubt else Level.NORMAL


def _divert(s: Situation, now: Level) -> Level:
    if not s.away or not s.best_alternate:
        return Level.NORMAL
    held = now is Level.WARNING
    lost = _below(s.covered, LOST, LOST + 0.1, held)
    open_there = s.best_alternate_covered > max(0.5, s.covered + (0.1 if held else 0.2))
    return Level.WARNING if lost and open_there else Level.NORMAL


def _land_now(s: Situation, now: Level) -> Level:
    if not s.airborne or math.isnan(s.covered):
        return Level.NORMAL
    gone = not s.any_site_reachable
    slim = max(s.covered, s.best_alternate_covered) < BARELY
    return Level.WARNING if gone or (now is Level.WARNING and slim) else Level.NORMAL


def _plan_not_covered(s: Situation, now: Level) -> Level:
    if s.homeward:
        return Level.NORMAL
    short = _below(s.completion, 0.5, 0.65, now is not Level.NORMAL)
    if not short:
        return Level.NORMAL
    return Level.ADVISORY if s.airborne else Level.CAUTION


def _hover_margin(s: Situation, now: Level) -> Level:
    if not s.away:
        return Level.NORMAL
    # At the turn the whole way home has the policy's confidence, the hover included: a caution
    # must wait until it has clearly lost more than that, or it would come with every turn.
    if _below(s.hover_holds, HOVER_BAD, HOVER_BAD + 0.1, now is Level.WARNING):
        return Level.WARNING
    thin = _below(s.hover_holds, HOVER_THIN, HOVER_THIN + 0.03, now.rank >= Level.CAUTION.rank)
    return Level.CAUTION if thin else Level.NORMAL


def _headwind_home(s: Situation, now: Level) -> Level:
    held = now is not Level.NORMAL
    strong = _above(s.headwind_excess_mps, 3.0, 2.0, held)
    dear = _above(s.headwind_cost_wh, 0.03 * s.nameplate_wh, 0.02 * s.nameplate_wh, held)
    return Level.CAUTION if s.airborne and strong and dear else Level.NORMAL


def _budget_overrun(s: Situation, now: Level) -> Level:
    held = now is not Level.NORMAL
    over = _above(s.overrun_wh, 0.05 * s.nameplate_wh, 0.035 * s.nameplate_wh, held)
    return Level.CAUTION if s.airborne and over else Level.NORMAL


def _pack_weak(s: Situation, now: Level) -> Level:
    held = now is not Level.NORMAL
    stiff = _above(s.pack_resistance, 1.5, 1.4, held)
    small = _below(s.pack_capacity, 0.85, 0.88, held)
    return Level.CAUTION if stiff or small else Level.NORMAL


def _telemetry_stale(s: Situation, now: Level) -> Level:
    if s.telemetry_age_s > STALE_WARNING_S and s.airborne:
        return Level.WARNING
    if s.telemetry_age_s > STALE_S:
        return Level.CAUTION if now.rank < Level.WARNING.rank else now
    return Level.NORMAL


def _position_lost(s: Situation, _now: Level) -> Level:
    lost = s.airborne and (s.position_age_s > STALE_S or not s.fix_ok)
    return Level.CAUTION if lost and s.telemetry_age_s <= STALE_S else Level.NORMAL


def _forecast_unsure(s: Situation, _now: Level) -> Level:
    if s.voltage_refused:  # on the ground too, where it can still be mended
        return Level.CAUTION
    return Level.ADVISORY if s.airborne and s.doubts else Level.NORMAL


def _link_degraded(s: Situation, now: Level) -> Level:
    poor = _below(s.link_quality, 0.2, 0.35, now is not Level.NORMAL)
    return Level.ADVISORY if poor else Level.NORMAL


# Gravest first: of two warnings the first is the headline, and home that is lost is no way to turn.
RULES: tuple[Rule, ...] = (
    Rule("land-now", _land_now, persist_s=15.0),
    Rule("divert", _divert, persist_s=10.0, hold_s=60.0),
    Rule("turn-back-now", _turn_back_now, persist_s=4.0, hold_s=30.0),
    Rule("home-not-covered", _home_not_covered, persist_s=10.0, hold_s=60.0),
    Rule("hover-margin", _hover_margin, persist_s=20.0, hold_s=60.0),
    Rule("turn-back-soon", _turn_back_soon, persist_s=4.0, hold_s=60.0, under="turn-back-now"),
    Rule("telemetry-stale", _telemetry_stale, hold_s=0.0),
    Rule("position-lost", _position_lost, persist_s=3.0, hold_s=5.0),
    Rule("headwind-home", _headwind_home, persist_s=60.0, hold_s=120.0),
    Rule("budget-overrun", _budget_overrun, persist_s=60.0, hold_s=120.0),
    Rule("pack-weak", _pack_weak, persist_s=60.0, hold_s=300.0),
    Rule("plan-not-covered", _plan_not_covered, persist_s=30.0, hold_s=120.0),
    Rule("forecast-unsure", _forecast_unsure, persist_s=10.0, hold_s=60.0),
    Rule("link-degraded", _link_degraded, persist_s=20.0, hold_s=60.0),
)


@dataclass(frozen=True, slots=True)
class Held:
    """One condition's memory."""

    level: Level = Level.NORMAL
    since_s: float = 0.0
    wanted: Level = Level.NORMAL
    wanted_since_s: float = 0.0
    seq: int = 0
    acked_by: str = ""
    said_s: float = 0.0
    reminders: int = 0


@dataclass(frozen=True, slots=True)
class Alerts:
    """All conditions' memories, and the last sequence number given."""

    held: Mapping[str, Held] = field(default_factory=lambda: MappingProxyType({}))
    seq: int = 0

    def worst(self) -> Level:
        """The highest level that holds."""
        levels = [h.level for h in self.held.values()]
        return max(levels, key=lambda level: level.rank, default=Level.NORMAL)


@dataclass(frozen=True, slots=True)
class Change:
    """A condition to publish: risen, fallen, ended, or said again (``reminders``: how often).

    ``since_s``: when it rose to this level.
    """

    seq: int
    condition: str
    level: Level
    before: Level
    reminder: bool
    reminders: int = 0
    since_s: float = math.nan


def _settle(rule: Rule, held: Held, wanted: Level, t_s: float, at_once: bool) -> Held:
    """The condition's memory after ``wanted`` was asked for at ``t_s``; level may change."""
    if wanted is not held.wanted:
        held = replace(held, wanted=wanted, wanted_since_s=t_s)
    if wanted is held.level:
        return held
    rising = wanted.rank > held.level.rank
    if not at_once and t_s - held.wanted_since_s < (rule.persist_s if rising else rule.hold_s):
        return held
    return replace(held, level=wanted, since_s=t_s, acked_by="", reminders=0)


def _remind(held: Held, t_s: float) -> bool:
    """Unacknowledged cautions and warnings are said again after 1, 2, 4 ... minutes."""
    if held.acked_by or held.level.rank < Level.CAUTION.rank:
        return False
    factor = 1.0 if held.level is Level.WARNING else 4.0
    wait = factor * REMIND_AFTER_S * 2.0 ** min(held.reminders, 5)
    return bool(t_s - held.said_s >= wait)


def decide(alerts: Alerts, situation: Situation) -> tuple[Alerts, list[Change]]:
    """The alerts after this situation, and what is to be published, most urgent rule first.

    Once the flight is over nothing holds any more, and nothing is raised.
    """
    held = dict(alerts.held)
    seq, t_s, over = alerts.seq, situation.t_s, situation.landed is not None
    changes: list[Change] = []
    for rule in RULES:
        before = held.get(rule.condition, Held())
        quiet = held.get(rule.under, Held()).level is not Level.NORMAL
        wanted = Level.NORMAL if over else rule.level_of(situation, before.level)
        if quiet and wanted.rank > before.level.rank:
            wanted = before.level
        after = _settle(rule, before, wanted, t_s, at_once=over)
        steady = after.level is before.level and after.wanted is after.level
        reminder = steady and not quiet and _remind(after, t_s)
        if after.level is not before.level or reminder:
            seq += 1
            count = after.reminders + 1 if reminder else 0
            after = replace(after, seq=seq, said_s=t_s, reminders=count)
            levels = (after.level, before.level)
            changes.append(Change(seq, rule.condition, *levels, reminder, count, after.since_s))
        held[rule.condition] = after
    return Alerts(MappingProxyType(held), seq), changes


def acknowledge(alerts: Alerts, seq: int, by: str) -> Alerts:
    """The alerts after ``by`` acknowledged advisory ``seq``; an outdated number changes nothing."""
    held = {
        name: replace(h, acked_by=by) if h.seq == seq and h.level is not Level.NORMAL else h
        for name, h in alerts.held.items()
    }
    return Alerts(MappingProxyType(held), alerts.seq)
