"""From a picture and the time to what is shown: pure, the same for page and terminal.

While the aircraft is silent the figures count on from the last known ones and are marked as
reckoned; a stale "fine" is never shown as fine.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

from supervisor.messages import Numbers, Status
from supervisor.watch.aboard import ON_GROUND, aboard, return_words
from supervisor.watch.freshness import Freshness, freshness
from supervisor.watch.picture import Picture, Trust, missing
from supervisor.watch.said import RANK, Said, acknowledged, said

Kind = Literal["turn", "due", "home", "whole", "ground", "landed", "none"]
WORDS = {"normal": "Fine", "advisory": "Be aware", "caution": "Be ready", "warning": "Act now"}
TURN = "turn-back-now"
# Longer than any pack of this kind flies: figures this old are history and are not counted on.
HISTORY_S = 6 * 3600.0


@dataclass(frozen=True, slots=True)
class Figure:
    """The one large figure. Minutes from now; ``reckoned``: counted on from an old message.

    ``turn``: minutes until it must turn; ``due``: it is time to turn; ``home``: homeward
    bound, the landing counts; ``whole``: no turn is needed within the plan; ``ground``;
    ``landed``: the flight is over, with ``left_wh`` in the pack; ``none``.
    """

    kind: Kind
    minutes: float | None
    spread_min: tuple[float | None, float | None, float | None]
    margin_wh: tuple[float | None, float | None, float | None]
    completion: float | None
    covered: float | None
    reckoned: bool
    left_wh: tuple[float | None, float | None, float | None] = (None, None, None)


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
    aboard: tuple[str, ...]
    return_request: str
    health: dict[str, Any] | None
    recalled: int
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
    aboard: tuple[str, ...]
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
        figure=figure(picture, fresh, listed),
        freshness=fresh,
        t_s=status.t if status else None,
        utc=status.utc if status else None,
        at_s=None if math.isnan(picture.status_at_s) else picture.status_at_s,
        status=status.model_dump(mode="json") if status else None,
        plan=plan.model_dump(mode="json") if plan else None,
        advisories=listed,
        missing=missing(picture),
        aboard=aboard(picture),
        return_request=return_words(status),
        health=picture.health.model_dump(mode="json") if picture.health else None,
        recalled=picture.recalled,
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
        figure=figure(picture, fresh, listed),
        freshness=fresh,
        aboard=aboard(picture),
        unacked=tuple(
            (s.seq, s.condition, s.level, s.sentence)
            for s in listed
            if s.active and not acknowledged(s) and s.level != "normal"
        ),
    )


def urgency(one: Row) -> tuple[float, float, str]:
    """Sort key, most urgent first: level (silence in the air just below a caution), then time.

    Whose flight is over comes last, whatever was heard of it.
    """
    rank: float = RANK[one.level] if one.figure.kind != "landed" else -1.0
    if one.freshness.stale and one.phase not in ("", *ON_GROUND):
        rank = max(rank, 1.5)
    minutes = one.figure.minutes
    if minutes is None:
        minutes = 0.0 if one.figure.kind == "due" else math.inf
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
    if status is not None and status.landed is not None:
        return "Landed"
    if status is None:
        return "Waiting"
    return "No word" if fresh.stale else WORDS[level]


def _sentence(status: Status | None, text: str, fresh: Freshness) -> str:
    if not text:
        return fresh.sentence
    if status is not None and status.landed is not None:
        return text  # what is left in the pack does not age
    return f"{fresh.sentence} Last known: {text}" if fresh.stale and status else text


# -- the figure -----------------------------------------------------------------------------------


def figure(picture: Picture, fresh: Freshness, listed: tuple[Said, ...] = ()) -> Figure:
    """The large figure, counted on by the age of what is known."""
    status = picture.status
    numbers = status.numbers if status else None
    if status is not None and status.landed is not None:
        end, nothing = status.landed, (None, None, None)
        above = end.above_reserve_wh
        return Figure("landed", None, nothing, above, None, None, False, left_wh=end.energy_wh)
    if status is None or numbers is None or (fresh.age_s or 0.0) > HISTORY_S:
        nothing = (None, None, None)
        return Figure("none", None, nothing, nothing, None, None, False)
    age_min = (fresh.age_s or 0.0) / 60.0
    safe = numbers.turn_back_safe_min
    advised = any(s.active and s.condition == TURN and s.trust != "unverified" for s in listed)
    run_out = fresh.stale and safe is not None and safe <= age_min
    kind = _kind(status, numbers, advised or run_out)
    p05, p50, p95 = (None if m is None else m - age_min for m in numbers.turn_back_min)
    margin = margin_ahead(status, age_min) if kind in ("turn", "due") else numbers.above_reserve_wh
    return Figure(
        kind=kind,
        minutes=max(safe - age_min, 0.0) if safe is not None and kind == "turn" else None,
        spread_min=(p05, p50, p95),
        margin_wh=margin,
        completion=numbers.completion,
        covered=numbers.covered,
        reckoned=fresh.stale,
    )


def _kind(status: Status, numbers: Numbers, due: bool) -> Kind:
    """``due``: the aircraft says so, or nothing is heard and the reckoning has run out.

    Between the two the figure stands at zero: the noise of a single look is no advice.
    """
    if status.phase in ON_GROUND:
        return "ground"
    if status.homeward:
        return "home"
    if due:
        return "due"
    return "whole" if numbers.turn_back_safe_min is None else "turn"


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
