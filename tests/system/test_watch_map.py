"""The map without a plan: the flight so far is still seen, on a scale that means something."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest
from page_scene import Scene, read, shown
from watching import keep_screenshot

sys.path.insert(0, str(Path(__file__).parents[1] / "watch"))
from scripted import Story

pytestmark = [pytest.mark.system, pytest.mark.browser]
SCALE_KM = "m => parseFloat(m.querySelector('.scale-bar + text').textContent)"
CRAFT_INSIDE = """m => { const a = m.getBoundingClientRect(),
  b = m.querySelector('.craft').getBoundingClientRect();
  return b.left > a.left && b.right < a.right && b.top > a.top && b.bottom < a.bottom; }"""


def test_without_its_plan_the_map_follows_the_flight(scene: Scene, page: Any) -> None:
    """The broker still keeps the plan of the flight before; that is not this one's."""
    scene.story = Story(flight="f2")
    shown(page, scene, scene.fly(30.0))
    page.wait_for_selector("#map .craft")
    # A single place has no extent: 2 km are shown around it, not 10 m.
    assert 0.2 <= page.eval_on_selector("#map", SCALE_KM) <= 1.0
    assert "plan has not arrived" in read(page, "#map-note")
    for t in range(100, 1001, 100):
        scene.fly(float(t))
    page.wait_for_function("() => document.querySelector('#one').dataset.t === '1000'")
    # 940 s at 24 m/s are 22.6 km: the aircraft has not flown out of the map.
    assert page.eval_on_selector("#map", CRAFT_INSIDE)
    assert page.eval_on_selector("#map", SCALE_KM) >= 2.0
    keep_screenshot(page, "no-plan")


def test_a_map_that_was_moved_by_hand_stays(scene: Scene, page: Any) -> None:
    shown(page, scene, scene.fly(1000.0))
    page.wait_for_selector("#map .craft")
    whole = page.eval_on_selector("#map", SCALE_KM)
    for _ in range(5):
        page.click("#map-in")
    near = page.eval_on_selector("#map", SCALE_KM)
    assert near < whole / 4
    scene.fly(1001.0)
    page.wait_for_function("() => document.querySelector('#one').dataset.t === '1001'")
    assert page.eval_on_selector("#map", SCALE_KM) == near
    page.click("#map-all")
    assert page.eval_on_selector("#map", SCALE_KM) == whole
