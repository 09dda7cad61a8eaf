"""What is known of one aircraft: a pure fold of the published messages heard so far.

No clock is read here: each message comes with the time at which it was heard (``at_s``, seconds
since 1970 on the watcher's steady clock). Folding a message twice changes nothing, so retained
messages, files read back and repeated deliveries can be fed in any number.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

from supervisor.messages import (
    Ack,
    Advisory,
    Before,
    Health,
    History,
    Plan,
    Presence,
    Status,
    Track,
)
from supervisor.watch.traces import (
    Fix,
    Point,
    filled_in,
    told_before,
    unpacked,
    with_fix,
    with_point,
    woven,
)

Told = Status | Advisory | Plan | Track | Presence | History | Health | Ack
Trust = Literal["verified", "unverified", "unchecked"]

MOST_ADVISORIES = 500
# A message delayed on its way has a larger (heard - flight time) than its neighbours.
OFFSETS_KEPT, GAPS_KEPT = 20, 5
# A daemon that lost its memory counts flights and time anew: so many live statuses in a row, so
# far behind the known time and not merely repeated, are believed to be a new flight.
RESTART_STATUSES, RESTART_S = 3, 60.0


@dataclass(frozen=True, slots=True)
class Heard:
    """One message, when it was heard, and whether its signature was found good."""

    at_s: float
    message: Told
    retained: bool = False
    trust: Trust = "unchecked"


@dataclass(frozen=True, slots=True)
class Entry:
    """An advisory as heard; ``brief``: only told of in the aircraft's own history."""

    advisory: Advisory
    at_s: float
    trust: Trust
    again: bool = False  # its number had been used before, at another time: the count began anew
    brief: bool = False


@dataclass(frozen=True, slots=True)
class Seen:
    """Who acknowledged advisory ``seq``; ``utc`` is empty when only the aircraft told us."""

    seq: int
    by: str
    utc: str
    trust: Trust


@dataclass(frozen=True, slots=True)
class Picture:
    """Everything worth keeping about one aircraft's present flight. Times in watcher seconds."""

    aircraft: str
    flight: str = ""
    plan: Plan | None = None
    status: Status | None = None
    status_at_s: float = math.nan  # NaN: the broker kept it, nobody knows since when
    status_trust: Trust = "unchecked"
    live: bool = False
    presence: Presence | None = None
    presence_at_s: float = math.nan  # NaN: the broker kept it
    health: Health | None = None
    heard_at_s: float = math.nan
    offsets_s: tuple[float, ...] = ()
    behind_s: tuple[float, ...] = ()  # flight times of live statuses older than the known one
    gaps_s: tuple[float, ...] = ()
    history: tuple[Point, ...] = ()
    track: tuple[Fix, ...] = ()
    entries: tuple[Entry, ...] = ()
    seen: tuple[Seen, ...] = ()
    recalled: int = 0  # how often the aircraft's own history told something new
    set_aside: int = 0  # messages without a good signature, which would have replaced good ones


def fold(picture: Picture, heard: Heard) -> Picture:
    """The picture after one more message.

    What is unverified may add to the picture (an advisory, marked), but never replaces anything.
    """
    if heard.trust == "unverified" and not isinstance(heard.message, Advisory | Ack):
        return replace(picture, set_aside=picture.set_aside + 1)
    # Advisories are queued by the broker while nobody listens: hearing one proves no live link.
    if not heard.retained and isinstance(heard.message, Status | Presence | Track):
        picture = replace(picture, heard_at_s=_later(picture.heard_at_s, heard.at_s))
    match heard.message:
        case Status():
            return _status(picture, heard, heard.message)
        case Advisory():
            return _advisory(picture, heard, heard.message)
        case Plan():
            return replace(picture, plan=heard.message)
        case Track():
            return _track(picture, heard.message)
        case Presence():
            at_s = math.nan if heard.retained else heard.at_s
            return replace(picture, presence=heard.message, presence_at_s=at_s)
        case History():
            return _history(picture, heard, heard.message)
        case Health():
            return replace(picture, health=heard.message)
        case Ack(flight=flight, seq=seq, by=by, utc=utc):
            if flight not in ("", picture.flight):
                return picture
            return _acknowledged(picture, Seen(seq, by, utc, heard.trust))


def fold_all(picture: Picture, heard: Iterable[Heard]) -> Picture:
    """The picture after many."""
    for one in heard:
        picture = fold(picture, one)
    return picture


def _later(a: float, b: float) -> float:
    return b if math.isnan(a) else max(a, b)


# -- status ---------------------------------------------------------------------------------------


def _status(picture: Picture, heard: Heard, status: Status) -> Picture:
    if status.flight != picture.flight:
        if heard.retained and picture.live:
            return picture  # what the broker kept is older than what was heard live
        picture = _new_flight(picture, status.flight)
    if _begins_anew(picture, heard, status):
        picture = replace(_new_flight(picture, status.flight), entries=_since(picture, status.t))
    before = picture.status
    if before is not None and status.t <= before.t and not _now_live(picture, heard, status):
        return _behind(picture, heard, status)
    offsets = picture.offsets_s
    if heard.retained:
        at_s = _kept_since(status, heard.at_s)
    else:
        offsets = (*offsets, heard.at_s - status.t)[-OFFSETS_KEPT:]
        at_s = status.t + min(offsets)
    gaps = picture.gaps_s
    if before is not None and not heard.retained and picture.live:
        gaps = (*gaps, max(at_s - picture.status_at_s, 0.0))[-GAPS_KEPT:]
    picture = replace(
        picture,
        status=status,
        status_at_s=at_s,
        status_trust=heard.trust,
        live=picture.live or not heard.retained,
        offsets_s=offsets,
        behind_s=(),
        gaps_s=gaps,
        history=with_point(picture.history, status),
        track=with_fix(picture.track, status),
    )
    for active in status.active:
        if active.acked_by:
            picture = _acknowledged(picture, Seen(active.seq, active.acked_by, "", heard.trust))
    return picture


def _now_live(picture: Picture, heard: Heard, status: Status) -> bool:
    """The very status that the broker had kept is now heard live: it then has an age."""
    same = picture.status is not None and status.t == picture.status.t
    return same and not heard.retained and not picture.live


def _behind(picture: Picture, heard: Heard, status: Status) -> Picture:
    """An older status changes nothing, but several in a row are noted: see RESTART_STATUSES."""
    late = picture.offsets_s and heard.at_s - status.t > min(picture.offsets_s) + RESTART_S
    if heard.retained or not late:
        return picture
    rising = not picture.behind_s or status.t > picture.behind_s[-1]
    return replace(picture, behind_s=(*picture.behind_s, status.t) if rising else (status.t,))


def _begins_anew(picture: Picture, heard: Heard, status: Status) -> bool:
    """Whether the same flight's name now stands for another flight."""
    before = picture.status
    if before is None or heard.retained or status.t > before.t - RESTART_S:
        return False
    if not picture.live:
        return True  # a living voice outweighs what was only kept
    rising = picture.behind_s and status.t > picture.behind_s[-1]
    return bool(rising) and len(picture.behind_s) >= RESTART_STATUSES - 1


def _since(picture: Picture, t_s: float) -> tuple[Entry, ...]:
    """Advisories that can belong to a flight that is only ``t_s`` old, the newest heard."""
    return tuple(e for e in picture.entries if e.advisory.t <= t_s and e.again)


def _new_flight(picture: Picture, flight: str) -> Picture:
    kept = tuple(e for e in picture.entries if e.advisory.flight == flight)
    return Picture(
        aircraft=picture.aircraft,
        flight=flight,
        plan=picture.plan,
        presence=picture.presence,
        presence_at_s=picture.presence_at_s,
        health=picture.health,
        heard_at_s=picture.heard_at_s,
        entries=kept,
        set_aside=picture.set_aside,
    )


def aircraft_date_s(picture: Picture, now_s: float) -> float:
    """The aircraft's own date now [s since 1970], as far as its last status tells; else ours.

    An acknowledgement carries this date: the aircraft judges it by its own clock, which need not
    agree with a laptop's (and in a simulated flight never does).
    """
    made_s = _made_s(picture.status) if picture.status else math.nan
    if math.isnan(made_s):
        return now_s
    since_s = now_s - picture.status_at_s
    return made_s + (since_s if since_s > 0.0 else 0.0)


def _kept_since(status: Status, heard_at_s: float) -> float:
    """When a retained status was made, by the aircraft's own date; NaN when it has none."""
    made_s = _made_s(status)
    return made_s if math.isnan(made_s) else min(made_s, heard_at_s)


def _made_s(status: Status) -> float:
    """The date a status carries [s since 1970]; NaN when it has none, or none that can be read."""
    try:
        return datetime.fromisoformat((status.utc or "").replace("Z", "+00:00")).timestamp()
    except ValueError:
        return math.nan


# -- the past ---------------------------------------------------------------------------------


def _track(picture: Picture, message: Track) -> Picture:
    """Positions in between the known ones are wanted too."""
    if picture.flight not in ("", message.flight):
        return picture
    return replace(picture, track=woven(picture.track, unpacked(message)))


def _history(picture: Picture, heard: Heard, message: History) -> Picture:
    """Fill in what was missed; what was heard first-hand stands."""
    if picture.flight not in ("", message.flight):
        return picture
    told = told_before(message)
    history = filled_in(picture.history, [point for point, _ in told])
    track = filled_in(picture.track, [fix for _, fix in told])
    news = history is not picture.history or track is not picture.track
    picture = replace(
        picture,
        flight=message.flight,
        history=history,
        track=track,
        recalled=picture.recalled + news,
    )
    known = {e.advisory.seq for e in of_flight(picture)}
    fresh = tuple(
        Entry(_spelled_out(message, b), heard.at_s, heard.trust, brief=True)
        for b in message.before
        if b.seq not in known
    )
    picture = replace(picture, entries=_in_order((*picture.entries, *fresh)))
    for one in message.before:
        for by, utc in one.acked:
            picture = _acknowledged(picture, Seen(one.seq, by, utc, heard.trust))
    return picture


def _spelled_out(message: History, told: Before) -> Advisory:
    """In the form of an advisory, without its numbers, which are not told."""
    return Advisory(
        aircraft=message.aircraft,
        flight=message.flight,
        t=told.t,
        seq=told.seq,
        condition=told.condition,
        level=told.level,
        sentence=told.sentence,
        numbers=None,
        why_wh={},
    )


# -- advisories and acknowledgements --------------------------------------------------------------


def _advisory(picture: Picture, heard: Heard, advisory: Advisory) -> Picture:
    key = (advisory.flight, advisory.seq)
    same = [e for e in picture.entries if (e.advisory.flight, e.advisory.seq) == key]
    told_again = [e for e in same if e.advisory.t == advisory.t]
    if any(not e.brief for e in told_again):
        return picture
    if same and heard.trust == "unverified":
        return picture  # it may add, but replaces nothing
    if not told_again and any(e.at_s >= heard.at_s for e in same):
        return picture
    if not picture.flight:
        picture = replace(picture, flight=advisory.flight)
    again = any(e.again for e in told_again) or len(same) > len(told_again)
    others = tuple(e for e in picture.entries if e not in same)
    entries = (*others, Entry(advisory, heard.at_s, heard.trust, again))
    return replace(picture, entries=_in_order(entries))


def _in_order(entries: tuple[Entry, ...]) -> tuple[Entry, ...]:
    ordered = sorted(entries, key=lambda e: (e.advisory.flight, e.advisory.seq))
    return tuple(ordered[-MOST_ADVISORIES:])


def _acknowledged(picture: Picture, seen: Seen) -> Picture:
    """Two accounts of one acknowledgement make one: the aircraft, which judged it, is believed."""
    known = next((s for s in picture.seen if (s.seq, s.by) == (seen.seq, seen.by)), None)
    if known is None:
        return replace(picture, seen=(*picture.seen, seen)[-MOST_ADVISORIES:])
    better, other = (seen, known) if _believed(seen) > _believed(known) else (known, seen)
    joined = replace(better, utc=better.utc or other.utc)
    if joined == known:
        return picture
    return replace(picture, seen=tuple(joined if s is known else s for s in picture.seen))


def _believed(seen: Seen) -> int:
    return ("unverified", "unchecked", "verified").index(seen.trust)


def of_flight(picture: Picture) -> tuple[Entry, ...]:
    """The present flight's advisories, oldest first."""
    return tuple(e for e in picture.entries if e.advisory.flight == picture.flight)


def missing(picture: Picture) -> tuple[int, ...]:
    """Sequence numbers that must have existed and have not (yet) arrived."""
    got = {e.advisory.seq for e in of_flight(picture)}
    named = {a.seq for a in picture.status.active} if picture.status else set()
    last = max(got | named, default=0)
    return tuple(sorted(set(range(1, last + 1)) - got))
