"""Each silence is told apart, and none is called live."""

from __future__ import annotations

import pytest
from scripted import Story

from supervisor.messages import Presence
from supervisor.watch.freshness import freshness, spell
from supervisor.watch.picture import Heard, Picture, fold, fold_all

STORY = Story()
T0 = 1_900_000_000.0


def streaming(period_s: float = 1.0, next_s: float | None = None, n: int = 6) -> Picture:
    """A picture after ``n`` statuses; the last was heard at T0 + n * period_s."""
    return fold_all(
        Picture("heron-1"),
        [
            Heard(T0 + i * period_s, STORY.status(i * period_s, next_s=next_s))
            for i in range(1, n + 1)
        ],
    )


def at(picture: Picture, silence_s: float) -> str:
    return freshness(picture, picture.heard_at_s + silence_s, None).state


def test_one_message_a_second_is_stale_within_five_seconds_of_silence() -> None:
    picture = streaming(1.0)
    assert at(picture, 2.0) == "live"
    assert at(picture, 4.9) == "silent"


def test_a_promised_pause_is_not_called_silence_until_it_is_over() -> None:
    picture = streaming(1.0, next_s=12.0)
    assert at(picture, 12.0) == "live"
    assert at(picture, 14.5) == "silent"


def test_without_a_promise_the_usual_gap_is_learned() -> None:
    picture = streaming(10.0)
    assert at(picture, 11.0) == "live"
    assert at(picture, 12.5) == "silent"


def test_presence_says_the_daemon_lives_while_its_figures_are_late() -> None:
    picture = streaming(1.0)
    beat = Heard(picture.heard_at_s + 20.0, STORY.presence(7))
    assert at(fold(picture, beat), 1.0) == "late"


def test_an_aircraft_without_telemetry_is_not_live_though_its_daemon_speaks() -> None:
    deaf = STORY.status(7.0).model_copy(update={"telemetry_age_s": 9.0})
    picture = fold(streaming(1.0), Heard(T0 + 7.0, deaf))
    fresh = freshness(picture, T0 + 7.5, None)
    assert (fresh.state, fresh.stale) == ("telemetry", True)
    assert fresh.age_s == pytest.approx(9.5)


@pytest.mark.parametrize(("reason", "word"), [("lost", "lost"), ("stopped", "stopped")])
def test_the_last_will_and_a_farewell_differ(reason: str, word: str) -> None:
    gone = Presence.model_validate(
        {"aircraft": "heron-1", "state": "offline", "flight": "f1", "reason": reason}
    )
    fresh = freshness(fold(streaming(), Heard(T0 + 6.1, gone)), T0 + 6.2, None)
    assert (fresh.state, fresh.stale) == ("offline", True)
    assert word in fresh.sentence


def test_a_lost_broker_is_said_at_once_but_good_figures_are_not_yet_stale() -> None:
    picture = streaming(1.0)
    soon = freshness(picture, picture.heard_at_s + 1.0, picture.heard_at_s + 0.5)
    assert (soon.state, soon.stale) == ("no-broker", False)
    later = freshness(picture, picture.heard_at_s + 9.0, picture.heard_at_s + 0.5)
    assert (later.state, later.stale) == ("no-broker", True)


def test_what_only_the_broker_kept_is_never_live() -> None:
    dateless = STORY.status(5.0).model_copy(update={"utc": None})
    kept = fold(Picture("heron-1"), Heard(T0, dateless, retained=True))
    fresh = freshness(kept, T0 + 0.1, None)
    assert (fresh.state, fresh.stale, fresh.age_s) == ("kept", True, None)


def test_nothing_heard_is_waiting() -> None:
    fresh = freshness(Picture("heron-1"), T0, None)
    assert (fresh.state, fresh.age_s) == ("waiting", None)


def test_times_in_words() -> None:
    assert [spell(s) for s in (-1, 8.9, 65, 7500, 1e6)] == [
        "0 s", "8 s", "1 min 05 s", "2 h 05 min", "11 days",
    ]  # fmt: skip
