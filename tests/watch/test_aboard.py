"""What is wrong or armed aboard is said in words, and only while it is so."""

from __future__ import annotations

from scripted import Story

from supervisor.messages import Message
from supervisor.watch.aboard import aboard, return_words
from supervisor.watch.picture import Heard, Picture, fold_all

STORY = Story()
T0 = 1_900_000_000.0


def told(*messages: Message) -> tuple[str, ...]:
    return aboard(fold_all(Picture("heron-1"), [Heard(T0, m) for m in messages]))  # type: ignore[arg-type]


def test_nothing_is_said_while_all_is_well() -> None:
    assert told(STORY.health(), STORY.presence(), STORY.status(100.0)) == ()


def test_not_ready_is_a_matter_of_the_ground() -> None:
    unready = STORY.health(not_ready=["pack: not heard", "plan: gauge 2"])
    ground = STORY.status(10.0).model_copy(update={"phase": "ground"})
    assert told(unready, ground) == ("Not ready for take-off: pack: not heard; plan: gauge 2.",)
    assert told(unready, STORY.status(10.0)) == ()


def test_after_the_landing_nobody_is_told_that_it_is_not_ready() -> None:
    assert told(STORY.health(not_ready=["pack: not heard"]), STORY.landed(4000.0)) == ()


def test_a_trouble_told_twice_is_said_once() -> None:
    full = STORY.presence().model_copy(update={"troubles": ["the disk is full"]})
    said = told(STORY.health(troubles=["the disk is full"]), full, STORY.status(100.0))
    assert said == ("Trouble aboard: the disk is full.",)


def test_another_flights_health_says_nothing_of_this_one() -> None:
    old = STORY.health(troubles=["the link to the aircraft is down"])
    assert told(STORY.status(10.0), old.model_copy(update={"flight": "f0"})) == ()


def test_what_waits_aboard_is_said_when_it_is_missed_here() -> None:
    held = STORY.presence().model_copy(update={"waiting": 2})
    first, _, third = STORY.advisories(2701.0)
    assert told(STORY.status(100.0), held) == ()
    assert told(STORY.status(100.0), first, third, held) == ("2 advisories wait aboard.",)


def test_an_armed_return_request_is_said_and_an_unarmed_one_is_only_listed() -> None:
    def with_state(state: str, by: str = "") -> tuple[str, ...]:
        update = {"return_request": state, "return_by": by}
        return told(STORY.status(100.0).model_copy(update=update))

    (line,) = with_state("armed", "ann")
    assert line.startswith("Return request: armed by ann")
    assert with_state("unarmed") == with_state("stopped", "bo") == ()
    stopped = STORY.status(1.0).model_copy(update={"return_request": "stopped", "return_by": "bo"})
    assert return_words(stopped) == "stopped for this flight by bo"
    assert return_words(STORY.status(1.0)) == ""
