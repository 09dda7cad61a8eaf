"""The flight's advisories as a list to read: what holds now on top, reminders folded into one."""

from __future__ import annotations

import math
from dataclasses import dataclass

from supervisor.messages import Active
from supervisor.watch.picture import Entry, Picture, Trust, of_flight

RANK = {"normal": 0, "advisory": 1, "caution": 2, "warning": 3}


@dataclass(frozen=True, slots=True)
class Said:
    """One advisory as listed: all messages of one condition at one level, until it changed.

    ``seq`` and ``sentence`` are the newest message's, said at ``said_s``: its figures are of then.
    ``t_s`` is when it began, ``until_s`` when it ended, None while it holds or when nobody has said
    so; ``active``: it holds now.
    """

    seq: int
    t_s: float
    said_s: float
    until_s: float | None
    times: int
    condition: str
    level: str
    sentence: str
    active: bool
    acked: tuple[tuple[str, str, str], ...]  # by, utc (may be empty), trust
    trust: Trust
    why_wh: dict[str, float]


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
        said_s=newest.t,
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
        said_s=a.since_t,
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
