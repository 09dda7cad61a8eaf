"""A watcher that comes late: what the aircraft's own history fills in, and what it leaves alone."""

from __future__ import annotations

import itertools

from scripted import TURN_T, Story

from supervisor.chronicle import Chronicle
from supervisor.messages import Ack, History
from supervisor.watch.picture import Heard, Picture, fold, fold_all, missing, of_flight
from supervisor.watch.said import said

STORY = Story()
T0 = 1_900_000_000.0
END = TURN_T + 30.0


def told(end: float = END) -> History:
    """The history as the aircraft would keep it at the broker."""
    chronicle = Chronicle("heron-1", "f1")
    advisories = STORY.advisories(end)
    for t in range(60, int(end), 10):
        while advisories and advisories[0].t <= t:
            chronicle.advisory(advisories.pop(0))
        history = chronicle.status(STORY.status(float(t))) or locals().get("history")
    chronicle.acknowledged(
        Ack(aircraft="heron-1", flight="f1", seq=2, by="ann", utc="2031-05-14T14:01:00+00:00")
    )
    last = chronicle.status(STORY.status(end)) or history
    assert last is not None
    return last


def kept(message: object) -> Heard:
    return Heard(T0 + 5000.0, message, retained=True)  # type: ignore[arg-type]


def late() -> Picture:
    """Only what the broker keeps, in the order of its liking."""
    status = STORY.status(END + 20.0)
    return fold_all(Picture("heron-1"), [kept(told()), kept(STORY.plan()), kept(status)])


def test_the_margin_the_track_and_the_advisories_of_the_time_before_are_there() -> None:
    picture = late()
    times = [p.t_s for p in picture.history]
    assert times == sorted(times)
    assert times[0] == 60.0
    assert max(b - a for a, b in itertools.pairwise(times)) <= 330.0
    assert len(picture.track) > 30
    assert [e.advisory.seq for e in of_flight(picture)] == [1, 2, 3]
    assert missing(picture) == ()


def test_who_acknowledged_and_when_is_told_to_the_late_one_too() -> None:
    (soon,) = [s for s in said(late()) if s.condition == "turn-back-soon"]
    assert soon.acked == (("ann", "2031-05-14T14:01:00+00:00", "unchecked"),)


def test_what_was_heard_first_hand_stands() -> None:
    flight = [Heard(T0 + t, STORY.status(float(t))) for t in range(60, int(END), 5)]
    flight += [Heard(T0 + a.t, a) for a in STORY.advisories(END)]
    first_hand = fold_all(Picture("heron-1"), flight)
    after = fold(first_hand, kept(told()))
    assert after.history == first_hand.history
    assert after.track == first_hand.track
    assert after.entries == first_hand.entries


def test_the_whole_advisory_replaces_the_short_one_and_not_the_other_way_round() -> None:
    whole = STORY.advisories(END)[0]
    picture = fold(late(), Heard(T0 + 5001.0, whole))
    assert of_flight(picture)[0].advisory == whole
    assert fold(picture, kept(told())).entries == picture.entries


def test_an_earlier_flights_history_is_no_part_of_this_one() -> None:
    second = Story(flight="f2")
    picture = fold(Picture("heron-1"), Heard(T0, second.status(70.0)))
    assert fold(picture, kept(told())) == picture
    turned = fold_all(Picture("heron-1"), [kept(told()), Heard(T0, second.status(70.0))])
    assert (turned.flight, len(turned.history), of_flight(turned)) == ("f2", 1, ())


def test_an_unverified_history_replaces_and_adds_nothing() -> None:
    forged = Heard(T0, told(), retained=True, trust="unverified")
    assert fold(Picture("heron-1"), forged) == Picture("heron-1", set_aside=1)
