"""The fold: what a watcher knows does not depend on how often or how late it was told."""

from __future__ import annotations

import math
import random
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st
from scripted import TURN_T, Story

from supervisor.edge.track import Fix as CodedFix
from supervisor.edge.track import encode
from supervisor.messages import Ack
from supervisor.watch.picture import (
    Heard,
    Picture,
    Told,
    fold,
    fold_all,
    missing,
    of_flight,
)
from supervisor.watch.traces import MOST_POINTS, unpacked

STORY = Story()
T0 = 1_900_000_000.0  # any date at which flight time 0 was


def heard(message: Told, *, delay_s: float = 0.0, retained: bool = False) -> Heard:
    return Heard(T0 + getattr(message, "t", 0.0) + delay_s, message, retained)


def whole_flight(end: float) -> list[Heard]:
    told: list[Told] = [STORY.plan(), *STORY.advisories(end)]
    told += [STORY.status(float(t)) for t in range(60, int(end), 60)]
    return [heard(message) for message in told]


@settings(max_examples=100, deadline=None)
@given(seed=st.integers(0, 2**32), again=st.integers(0, 20))
def test_order_and_repetition_change_nothing_that_is_known(seed: int, again: int) -> None:
    # Only numbers are drawn: permutations of 49 overran what may be drawn one time in ten.
    draw, flight = random.Random(seed), whole_flight(TURN_T + 60.0)
    straight = fold_all(Picture("heron-1"), flight)
    mixed_up = [*draw.sample(flight, len(flight)), *draw.choices(flight, k=again)]
    mixed = fold_all(Picture("heron-1"), mixed_up)
    assert mixed.status == straight.status
    assert mixed.plan == straight.plan
    assert of_flight(mixed) == of_flight(straight)
    assert missing(mixed) == ()


def test_an_older_status_replaces_nothing() -> None:
    picture = fold_all(Picture("heron-1"), [heard(STORY.status(500.0)), heard(STORY.status(400.0))])
    assert picture.status is not None
    assert picture.status.t == 500.0


def test_a_message_that_was_held_up_is_as_old_as_it_is() -> None:
    """Five statuses arrive on time, one 40 s late: its age is counted from when it was made."""
    on_time = [heard(STORY.status(100.0 + i)) for i in range(5)]
    late = heard(STORY.status(110.0), delay_s=40.0)
    picture = fold_all(Picture("heron-1"), [*on_time, late])
    assert math.isclose(picture.status_at_s, T0 + 110.0, abs_tol=1e-6)


def test_a_kept_status_without_a_date_has_no_age_until_it_is_heard_live() -> None:
    status = STORY.status(300.0).model_copy(update={"utc": None})
    kept = fold(Picture("heron-1"), Heard(T0 + 999.0, status, retained=True))
    assert math.isnan(kept.status_at_s)
    live = fold(kept, Heard(T0 + 300.5, status))
    assert math.isclose(live.status_at_s, T0 + 300.5)


def test_a_new_flight_begins_a_new_page_and_an_old_retained_one_does_not_return() -> None:
    second = Story(flight="f2")
    picture = fold_all(Picture("heron-1"), whole_flight(TURN_T + 60.0))
    picture = fold(picture, heard(second.status(10.0)))
    assert (picture.flight, len(picture.history), of_flight(picture)) == ("f2", 1, ())
    picture = fold(picture, heard(STORY.status(2000.0), retained=True))
    assert picture.flight == "f2"


def test_a_daemon_that_forgot_its_count_is_followed_into_its_new_flight() -> None:
    """Same flight name, time and numbers from the beginning, 300 s after the last word."""
    picture = fold_all(Picture("heron-1"), whole_flight(TURN_T + 60.0))
    delay_s = TURN_T + 360.0
    first = STORY.advisories(1000.0)[0].model_copy(update={"t": 4.0})
    again = [heard(first, delay_s=delay_s)]
    again += [heard(STORY.status(t), delay_s=delay_s) for t in (5.0, 7.0)]
    picture = fold_all(picture, again)
    assert picture.status is not None
    assert picture.status.t == 2700.0  # two could be stragglers
    picture = fold(picture, heard(STORY.status(9.0), delay_s=delay_s))
    assert picture.status is not None
    assert (picture.status.t, len(picture.history)) == (9.0, 1)
    assert [e.advisory.t for e in of_flight(picture)] == [4.0]


def test_a_living_voice_outweighs_what_the_broker_kept() -> None:
    kept = fold(Picture("heron-1"), heard(STORY.status(4000.0), retained=True))
    picture = fold(kept, heard(STORY.status(5.0), delay_s=5000.0))
    assert picture.status is not None
    assert (picture.status.t, picture.live) == (5.0, True)


def test_gaps_in_the_numbers_of_advisories_are_known() -> None:
    first, _, third = STORY.advisories(TURN_T + 1)
    picture = fold_all(Picture("heron-1"), [heard(first), heard(third)])
    assert missing(picture) == (2,)
    # The status names an advisory that has not arrived at all.
    picture = fold_all(Picture("heron-1"), [heard(first), heard(STORY.status(TURN_T + 5))])
    assert missing(picture) == (2, 3)


def test_what_is_unverified_never_replaces_what_is_known() -> None:
    good = fold(Picture("heron-1"), heard(STORY.status(500.0)))
    lie = STORY.status(600.0).model_copy(update={"sentence": "All is well."})
    after = fold(good, replace(heard(lie), trust="unverified"))
    assert after == replace(good, set_aside=1)
    advisory = replace(heard(STORY.advisories(1000.0)[0]), trust="unverified")
    assert fold(good, advisory).entries[0].trust == "unverified"


def test_an_acknowledgement_keeps_the_account_that_says_when() -> None:
    picture = fold(Picture("heron-1"), heard(STORY.status(TURN_T + 5, acked_by="Ada")))
    assert [(s.seq, s.by, s.utc) for s in picture.seen] == [(3, "Ada", "")]
    ack = Ack(aircraft="heron-1", flight="f1", seq=3, by="Ada", utc="2031-05-14T14:06:00+00:00")
    picture = fold(picture, Heard(T0, ack))
    assert [(s.seq, s.by, s.utc) for s in picture.seen] == [(3, "Ada", ack.utc)]
    elsewhere = ack.model_copy(update={"flight": "f9", "by": "Bo"})
    assert fold(picture, Heard(T0, elsewhere)) == picture


def test_the_aircrafts_word_makes_an_acknowledgement_count_and_keeps_its_time() -> None:
    """The ack itself was signed by a key that this watcher does not know."""
    ack = Ack(aircraft="heron-1", flight="f1", seq=3, by="Ada", utc="2031-05-14T14:06:00+00:00")
    heard_ack = Heard(T0, ack, trust="unverified")
    confirmed = heard(STORY.status(TURN_T + 5, acked_by="Ada"))
    confirmed = replace(confirmed, trust="verified")
    first = heard(STORY.status(TURN_T))
    for order in ([first, heard_ack, confirmed], [first, confirmed, heard_ack]):
        picture = fold_all(Picture("heron-1"), order)
        assert [(s.by, s.utc, s.trust) for s in picture.seen] == [("Ada", ack.utc, "verified")]


def test_the_track_comes_out_as_the_bridge_put_it_in() -> None:
    fixes = [CodedFix(100.0 + 10 * i, 44.1 + 0.001 * i, -28.3 + 0.0007 * i, 90.0 + i)
             for i in range(12)]  # fmt: skip
    got = unpacked(encode("heron-1", "f1", fixes))
    for one, sent in zip(got, fixes, strict=True):
        assert math.isclose(one.lat_deg, sent.lat_deg, abs_tol=0.6e-5)
        assert math.isclose(one.lon_deg, sent.lon_deg, abs_tol=0.6e-5)
        assert (one.t_s, one.height_m) == (sent.t, sent.height_m)


def test_track_messages_fill_in_between_statuses() -> None:
    picture = fold_all(
        Picture("heron-1"),
        [heard(STORY.status(400.0)), heard(STORY.status(460.0)), heard(STORY.track(460.0))],
    )
    times = [fix.t_s for fix in picture.track]
    assert times == sorted(set(times))
    assert len(times) == 7  # every ten seconds from 400 to 460


def test_a_long_flight_stays_small_and_keeps_both_ends() -> None:
    picture = Picture("heron-1")
    for t in range(1, 2 * MOST_POINTS):
        picture = fold(picture, heard(STORY.status(float(t))))
    assert len(picture.history) < MOST_POINTS
    assert picture.history[0].t_s == 1.0
    assert picture.history[-1].t_s == 2.0 * MOST_POINTS - 1
