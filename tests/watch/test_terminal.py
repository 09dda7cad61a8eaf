"""The terminal's lines: what has ended does not look live, and figures say of when they are."""

from __future__ import annotations

import io
import re

from rich.console import Console
from scripted import TURN_T, Story

from supervisor.messages import Message
from supervisor.watch.picture import Heard, Picture, fold_all
from supervisor.watch.terminal import one
from supervisor.watch.view import view

STORY = Story()
T0 = 1_900_000_000.0


def lines(*messages: Message, now_t: float) -> str:
    """The whole screen as text, each run of white space one blank."""
    picture = fold_all(Picture("heron-1"), [Heard(T0 + m.t, m) for m in messages])  # type: ignore[attr-defined]
    console = Console(width=140, file=io.StringIO())
    for part in one(view(picture, T0 + now_t), picture.history, T0 + now_t, "metric", 140):
        console.print(part)
    return re.sub(r"\s+", " ", console.file.getvalue())


def test_what_has_ended_does_not_look_live() -> None:
    said = STORY.advisories(TURN_T)
    shown = lines(*said, STORY.ended(4000.0), STORY.landed(4001.0), now_t=4001.2)
    assert "[!]" not in shown
    assert "--- past warning: turn back now (21 min 41 s ago, for 21 min 40 s)" in shown
    alive = lines(*said, STORY.status(TURN_T + 1.0), now_t=TURN_T + 2.0)
    assert "[!] turn back now (2 s ago)" in alive


def test_a_reminder_says_how_old_its_figures_are() -> None:
    first = STORY.advisories(TURN_T)[-1]
    again = first.model_copy(update={"seq": 4, "t": TURN_T + 60.0})
    status = STORY.status(TURN_T + 90.0)
    active = [status.active[0].model_copy(update={"seq": 4})]
    shown = lines(first, again, status.model_copy(update={"active": active}), now_t=TURN_T + 90.0)
    assert "[!] turn back now (since 1 min 30 s, said 30 s ago)" in shown


def test_after_the_landing_no_forecast_is_left() -> None:
    shown = lines(STORY.landed(4001.0), now_t=4001.2)
    assert "LANDED at Saltmere box with 96 Wh (88 to 105), 12 Wh above the reserve" in shown
    assert "Wh left in the pack, landed" in shown
    for words in ("if it turned", "energy from now", "what ate", "flies"):
        assert words not in shown


def test_the_energy_says_that_it_means_a_turn_now() -> None:
    flying = STORY.status(1000.0)
    assert "energy from now to landing, if it turned now, Wh" in lines(flying, now_t=1000.2)
    bound = flying.model_copy(update={"homeward": True})
    assert "energy from now to landing, Wh" in lines(bound, now_t=1000.2)


def test_the_last_minute_is_seconds_and_the_clock_has_them() -> None:
    shown = lines(STORY.status(TURN_T - 38.7), now_t=TURN_T - 38.5)
    assert "s until it must turn" in shown
    assert re.search(r"turn by \d\d:\d\d:\d\d UTC", shown)


def test_two_figures_for_one_wind_say_what_each_counts() -> None:
    headwind = STORY.advisories(1000.0)[0]
    status = STORY.status(1000.0)
    active = [{"seq": 1, "condition": "headwind-home", "level": "caution", "since_t": 900.0,
               "acked_by": None}]  # fmt: skip
    told = type(status).model_validate(status.model_dump() | {"active": active})
    assert "the head wind advisory counts the way home only" in lines(headwind, told, now_t=1000.2)
    assert "head wind advisory" not in lines(status, now_t=1000.2)
