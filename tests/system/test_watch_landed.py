"""After the landing: what is left, calmly, and no forecast of a flight that is over."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest
from page_scene import Scene, fresh_page, read, shown, tell
from watching import keep_screenshot

sys.path.insert(0, str(Path(__file__).parents[1] / "watch"))
from scripted import TURN_T

pytestmark = [pytest.mark.system, pytest.mark.browser]
ALARMS = ("act now", "turn back now", "if it turned", "as foreseen", "out of reach", "−")


def land(scene: Scene) -> None:
    """The warned flight comes home and lands."""
    tell(scene, TURN_T + 20.0)
    scene.voice.say(scene.story.ended(4000.0))
    status = scene.story.landed(4001.0).model_copy(update={"next_s": scene.CALM_S})
    scene.voice.say(status)


@pytest.mark.parametrize("width", ["laptop", "phone"])
def test_the_page_is_calm_after_the_landing(browser: Any, scene: Scene, width: str) -> None:
    land(scene)
    page = fresh_page(browser, width)
    shown(page, scene, scene.story.landed(4001.0))
    page.wait_for_selector("#map .craft")
    assert read(page, "#word") == "Landed"
    assert read(page, "#sentence").startswith("At Saltmere box with 96 Wh (88 to 105)")
    assert (read(page, "#figure"), read(page, "#figure-unit")) == ("96", "Wh")
    assert "Nine in ten between 88 and 105; 12 Wh above" in read(page, "#figure-spread")
    assert page.title() == "96 Wh Landed: heron-1"
    for section in ("#ledger", "#why"):
        assert not page.is_visible(section)
    answer = (read(page, "#answer") + read(page, "#strip-read") + read(page, "#map-note")).lower()
    assert [words for words in ALARMS if words in answer] == []
    assert page.query_selector_all("#alert-list .alert:not(.level-past)") == []
    keep_screenshot(page, f"landed-{width}")
    page.context.close()


def test_what_is_left_does_not_age_when_the_plug_is_pulled(scene: Scene, page: Any) -> None:
    scene.fly(1000.0)
    status = scene.story.landed(4001.0).model_copy(update={"next_s": 0.0})
    scene.voice.say(status)
    page.goto(scene.watch.address)
    page.wait_for_selector("#fresh.stale")  # the header says how old it is
    assert page.query_selector("body.stale") is None
    assert read(page, "#sentence").startswith("At Saltmere box with 96 Wh")
    assert "reckoned" not in read(page, "#figure-caption")
