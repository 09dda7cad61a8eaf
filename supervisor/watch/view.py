"""From a picture and the time to what is shown: pure, the same for page and terminal.

While the aircraft is silent the figures count on from the last known ones and are marked as
reckoned; a stale "fine" is never shown as fine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

from supervisor.messages import Active, Numbers, Status
from supervisor.watch.freshness import Freshness, freshness
from supervisor.watch.picture import Entry, Picture, Trust, missing, of_flight

Kind = Literal["turn", "due", "home", "whole", "ground", "none"]
RANK = {"normal": 0, "advisory": 1, "caution": 2, "warning": 3}
WORDS = {"normal": "Fine", "advisory": "Be aware", "caution": "Be ready", "warning": "Act now"}
ON_GROUND = ("ground", "unknown")


@dataclass(frozen=True, slots=True)
class Figure:
    """The one large figure. Minutes from now; ``reckoned``: counted on from an old message.

    ``turn``: minutes until it must turn; ``due``: that moment has passed; ``home``: homeward
    bound, the landing counts; ``whole``: no turn is needed within the plan; ``ground``; ``none``.
    """

    kind: Kind
    minutes: float | None
    spread_min: tuple[float | None, float | None, float | None]
    margin_wh: tuple[float | None, float | None, float | None]
    completion: float | None
    covered: float | None
    reckoned: bool


@dataclass(frozen=True, slots=True)
class Said:
    """One advisory as listed: all messages of one condition at one level, until it changed.

    ``seq`` and ``sentence`` are the newest message's; ``t_s`` is when it began, ``until_s`` when
    it ended, None while it holds or when nobody has said so; ``active``: it holds now.
    """

    seq: int
    t_s: float
    until_s: float | None
    times: int
    condition: str
    level: str
    sentence: str
    active: bool
    acked: tuple[tuple[str, str, str], ...]  # by, utc (may be empty), trust
    trust: Trust
    why_wh: dict[str, float]


@dataclass(frozen=True, slots=True)
class View:
    """All that one aircraft's page shows."""

    aircraft: str
    flight: str
    title: str
    phase: str
    level: str
    word: str
    sentence: str
    trust: Trust
    figure: Figure
    freshness: Freshness
    t_s: float | None
    utc: str | None
    at_s: float | None
    status: dict[str, Any] | None
    plan: dict[str, Any] | None
    advisories: tuple[Said, ...]
    missing: tuple[int, ...]
    set_aside: int


@dataclass(frozen=True, slots=True)
class Row:
    """One aircraft among many."""

    aircraft: str
    flight: str
    title: str
    phase: str
    level: str
    word: str
    sentence: str
    figure: Figure
    freshness: Freshness
    unacked: tuple[tuple[int, str, str, str], ...]  # seq, condition, level, sentence


def view(picture: Picture, now_s: float, broker_lost_s: float | None = None) -> View:
    """The full page of one aircraft at ``now_s``."""
    fresh = freshness(picture, now_s, broker_lost_s)
    status, plan, listed = picture.status, picture.plan, said(picture)
    level, text = _worst(status, listed)
    if plan is not None and picture.flight not in ("", plan.flight):
        plan = None  # an earlier flight's plan would mislead
    return View(
        aircraft=picture.aircraft,
        flight=picture.flight,
        title=plan.name if plan else "",
        phase=status.phase if status else "",
        level=level,
        word=_word(status, level, fresh),
        sentence=_sentence(status, text, fresh),
        trust=picture.status_trust,
        figure=figure(picture, fresh),
        freshness=fresh,
        t_s=status.t if status else None,
        utc=status.utc if status else None,
        at_s=None if math.isnan(picture.status_at_s) else picture.status_at_s,
        status=status.model_dump(mode="json") if status else None,
        plan=plan.model_dump(mode="json") if plan else None,
        advisories=listed,
        missing=missing(picture),
        set_aside=picture.set_aside,
    )


def row(picture: Picture, now_s: float, broker_lost_s: float | None = None) -> Row:
    """One line of the fleet at ``now_s``."""
    fresh = freshness(picture, now_s, broker_lost_s)
    status, listed = picture.status, said(picture)
    level, text = _worst(status, listed)
    named = picture.plan is not None and picture.plan.flight == picture.flight
    return Row(
        aircraft=picture.aircraft,
        flight=picture.flight,
        title=picture.plan.name if picture.plan and named else "",
        phase=status.phase if status else "",
        level=level,
        word=_word(status, level, fresh),
        sentence=_sentence(status, text, fresh),
        figure=figure(picture, fresh),
        freshness=fresh,
        unacked=tuple(
            (s.seq, s.condition, s.level, s.sentence)
            for s in listed
            if s.active and not acknowledged(s) and s.level != "normal"
        ),
    )


def urgency(one: Row) -> tuple[float, float, str]:
    """Sort key, most urgent first: level (silence in the air counts as a caution), then time."""
    rank: float = RANK[one.level]
    if one.freshness.stale and one.phase not in ("", *ON_GROUND):
        rank = max(rank, 1.5)
    minutes = one.figure.minutes if one.figure.minutes is not None else math.inf
    return (-rank, minutes, one.aircraft)


# -- the words ------------------------------------------------------------------------------------


def _worst(status: Status | None, listed: tuple[Said, ...]) -> tuple[str, str]:
    """Level and sentence: the status's, or a worse advisory's that came ahead of its status.

    An unverified advisory is listed and marked, but does not speak for the aircraft.
    """
    level: str = status.level if status else "normal"
    text = status.sentence if status else ""
    for one in listed:
        if one.active and one.trust != "unverified" and RANK[one.level] > RANK[level]:
            level, text = one.level, one.sentence
    return level, text


def _word(status: Status | None, level: str, fresh: Freshness) -> str:
    if RANK[level] >= RANK["caution"]:
        return WORDS[level]
    if status is None:
        return "Waiting"
    return "No word" if fresh.stale else WORDS[level]


def _sentence(status: Status | None, text: str, fresh: Freshness) -> str:
    if not text:
        return fresh.sentence
    return f"{fresh.sentence} Last known: {text}" if fresh.stale and status else text


# -- the figure -----------------------------------------------------------------------------------


def figure(picture: Picture, fresh: Freshness) -> Figure:
    """The large figure, counted on by the age of what is known."""
    status = picture.status
    numbers = status.numbers if status else None
    if status is None or numbers is None:
        nothing = (None, None, None)
        return Figure("none", None, nothing, nothing, None, None, False)
    age_min = (fresh.age_s or 0.0) / 60.0
    safe = numbers.turn_back_safe_min
    kind = _kind(status, numbers, age_min)
    p05, p50, p95 = (None if m is None else m - age_min for m in numbers.turn_back_min)
    margin = margin_ahead(status, age_min) if kind in ("turn", "due") else numbers.above_reserve_wh
    return Figure(
        kind=kind,
        minutes=None if safe is None or kind not in ("turn", "due") else safe - age_min,
        spread_min=(p05, p50, p95),
        margin_wh=margin,
        completion=numbers.completion,
        covered=numbers.covered,
        reckoned=fresh.stale,
    )


def _kind(status: Status, numbers: Numbers, age_min: float) -> Kind:
    if status.phase in ON_GROUND:
        return "ground"
    if status.homeward:
        return "home"
    safe = numbers.turn_back_safe_min
    if safe is None:
        return "whole"
    return "turn" if safe > age_min else "due"


def margin_ahead(status: Status, minutes: float) -> tuple[float | None, float | None, float | None]:
    """What turning ``minutes`` after the status would leave above the reserve [Wh].

    Read off the published course ahead; without one the last known margin stands.
    """
    rows = status.ahead
    if status.numbers is None or not rows or minutes <= rows[0][0]:
        return status.numbers.above_reserve_wh if status.numbers else (None, None, None)
    for before, after in pairwise(rows):
        if before[0] <= minutes <= after[0] and after[0] > before[0]:
            share = (minutes - before[0]) / (after[0] - before[0])
            low, mid, high = (
                a + share * (b - a) for a, b in zip(before[1:], after[1:], strict=True)
            )
            return (low, mid, high)
    return (rows[-1][1], rows[-1][2], rows[-1][3])


# -- advisories -----------------------------------------------------------------------------------


def said(picture: Picture) -> tuple[Said, ...]:
    """The flight's advisories: what holds now first, the worst on top; then the past, newest first.

    A condition that the status names as active and whose message has not arrived is listed from
    the status, so that nothing is hidden by a lost message.
    """
    active = {a.seq: a for a in picture.status.active} if picture.status else {}
    known_t = picture.status.t if picture.status else -math.inf
    spells = _spells(of_flight(picture))
    listed = [_listed(picture, spell, end, active, known_t) for spell, end in spells]
    arrived = {entry.advisory.seq for spell, _ in spells for entry in spell}
    listed += [_unheard(picture, a) for a in active.values() if a.seq not in arrived]
    listed.sort(key=lambda s: (not s.active, -RANK[s.level] if s.active else 0, -s.seq))
    return tuple(listed)


def _spells(entries: tuple[Entry, ...]) -> list[tuple[list[Entry], Entry | None]]:
    """Messages of one condition at one level belong together; with each what ended it."""
    open_: dict[str, list[Entry]] = {}
    spells: list[tuple[list[Entry], Entry | None]] = []
    for entry in entries:
        condition, level = entry.advisory.condition, entry.advisory.level
        running = open_.get(condition)
        if running is not None and running[-1].advisory.level == level:
            running.append(entry)
            continue
        if running is not None:
            spells.append((open_.pop(condition), entry))
        if level != "normal":
            open_[condition] = [entry]
    return spells + [(running, None) for running in open_.values()]


def _listed(
    picture: Picture,
    spell: list[Entry],
    end: Entry | None,
    active: dict[int, Active],
    known_t: float,
) -> Said:
    """It holds when the status says so, or when it is newer than the last status."""
    newest = spell[-1].advisory
    named = any(entry.advisory.seq in active for entry in spell)
    return Said(
        seq=newest.seq,
        t_s=spell[0].advisory.t,
        until_s=end.advisory.t if end else None,
        times=len(spell),
        condition=newest.condition,
        level=newest.level,
        sentence=newest.sentence,
        active=named or (end is None and newest.t > known_t),
        acked=tuple(by for entry in spell for by in _by(picture, entry.advisory.seq)),
        trust=spell[-1].trust,
        why_wh=newest.why_wh,
    )


def _unheard(picture: Picture, a: Active) -> Said:
    text = f"{a.condition.replace('-', ' ')}: its message has not arrived here yet."
    return Said(
        seq=a.seq,
        t_s=a.since_t,
        until_s=None,
        times=0,
        condition=a.condition,
        level=a.level,
        sentence=text.capitalize(),
        active=True,
        acked=_by(picture, a.seq),
        trust=picture.status_trust,
        why_wh={},
    )


def _by(picture: Picture, seq: int) -> tuple[tuple[str, str, str], ...]:
    """Who acknowledged it, when as far as it is known, and whether that is verified."""
    return tuple((s.by, s.utc, s.trust) for s in picture.seen if s.seq == seq)


def acknowledged(one: Said) -> bool:
    """Whether somebody whom we can believe has read it."""
    return any(trust != "unverified" for _, _, trust in one.acked)
