"""The page's own words: what a figure counts, of when it is, and how near the turn."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

import pytest
from page_scene import Scene, read, shown
from watching import keep_screenshot

sys.path.insert(0, str(Path(__file__).parents[1] / "watch"))
from scripted import TURN_T

from supervisor.messages import Active

pytestmark = [pytest.mark.system, pytest.mark.browser]


def test_the_last_minutes_have_their_seconds(scene: Scene, page: Any) -> None:
    shown(page, scene, scene.fly(TURN_T - 38.9))
    page.wait_for_selector("#rope .stake-label")
    assert read(page, "#figure-unit") == "s"
    assert 20 <= int(read(page, "#figure")) <= 38
    clock = re.compile(r"turn by \d\d:\d\d:\d\d")
    for drawing in ("#rope", "#strip", "#map"):
        assert clock.search(page.text_content(drawing)), drawing
    keep_screenshot(page, "last-minute")


def test_the_energy_says_that_it_means_a_turn_now(scene: Scene, page: Any) -> None:
    shown(page, scene, scene.fly(1000.0))
    assert read(page, "#ledger-what") == "Energy from now to landing, if it turned now"
    scene.fly(1001.0, homeward=True)
    page.wait_for_function(
        "() => document.querySelector('#ledger-what').textContent === 'Energy from now to landing'"
    )


def test_no_turn_at_even_odds_is_said_in_words(scene: Scene, page: Any) -> None:
    numbers = scene.story.numbers(1000.0).model_copy(update={"turn_back_min": (9.0, None, None)})
    shown(page, scene, scene.fly(1000.0, numbers=numbers))
    assert "More likely than not it need not turn" in read(page, "#figure-spread")


def test_old_figures_say_of_when_they_are_and_what_they_count(scene: Scene, page: Any) -> None:
    """The list keeps a reminder's words: 46 Wh then; the banner and the reasons have newer ones."""
    first = scene.story.advisories(900.0)[0]
    again = first.model_copy(update={"seq": 2, "t": 1140.0})
    scene.voice.say(first)
    scene.voice.say(again)
    held = Active(seq=2, condition="headwind-home", level="caution", since_t=900.0, acked_by=None)
    shown(page, scene, scene.fly(1380.0, level="caution", active=[held]))
    page.wait_for_selector("#alert-list .level-caution")
    told = page.text_content("#alert-list")
    assert re.search(r"Said 4 min 0\d s ago, with the figures of then\.", told)
    assert "the way home included" in " ".join(read(page, "#why-h").split())
    assert "head wind advisory counts the way home only" in page.text_content("#why-list")
    keep_screenshot(page, "said-before")
