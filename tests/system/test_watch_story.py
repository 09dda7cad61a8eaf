"""Who comes late, reloads, sleeps or loses the broker: what the page still knows."""

from __future__ import annotations

import json
import sys
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest
from page_scene import Scene, read, shown
from watching import Watch, keep_screenshot, offline, until

sys.path.insert(0, str(Path(__file__).parents[1] / "watch"))

from supervisor.chronicle import Chronicle
from supervisor.messages import Ack

pytestmark = [pytest.mark.system, pytest.mark.browser]


def points(page: Any, selector: str) -> int:
    """Of a line that is drawn."""
    return int(page.eval_on_selector(selector, "p => p.getAttribute('d').split('L').length"))


def test_a_new_laptop_sees_the_whole_story(scene: Scene, page: Any, tmp_path: Path) -> None:
    """Nothing on its disk: margin, track, advisories and who read them come from the aircraft."""
    chronicle = Chronicle("heron-1", "f1")
    for advisory in scene.story.advisories(2900.0):
        chronicle.advisory(advisory)
    ack = Ack(aircraft="heron-1", flight="f1", seq=2, by="ann", utc="2031-05-14T14:01:07+00:00")
    chronicle.acknowledged(ack)
    told = [chronicle.status(scene.story.status(float(t))) for t in range(60, 2890, 10)]
    scene.voice.say(next(h for h in reversed(told) if h), retain=True)
    scene.fly(2900.0)
    new = Watch(scene.broker.port, tmp_path / "new-laptop").start()
    page.goto(new.address)
    page.wait_for_function("() => document.querySelectorAll('#alert-list li').length === 3")
    assert "Acknowledged by ann at 14:01:07 UTC" in read(page, "#alert-list")
    assert page.is_hidden("#missing")
    page.wait_for_selector(".mid.past", state="attached")
    until(lambda: points(page, ".mid.past") >= 40)  # a point a minute
    page.wait_for_selector(".track", state="attached")
    until(lambda: points(page, ".track") >= 40)
    keep_screenshot(page, "new-laptop")
    new.stop()


def test_the_last_will_a_lost_broker_and_a_lost_watcher_differ(scene: Scene, page: Any) -> None:
    shown(page, scene, scene.fly(1000.0))
    scene.voice.say(offline("heron-1", "f1"))
    page.wait_for_function(
        "() => document.querySelector('#fresh').textContent.includes('was lost')"
    )
    scene.broker.kill()
    page.wait_for_function(
        "() => document.querySelector('#lost').textContent.includes('No broker')"
    )
    scene.watch.stop()
    page.wait_for_function(
        "() => document.querySelector('#lost').textContent.includes('stopped answering')"
    )
    assert page.evaluate("document.body.classList.contains('watcher-lost')")


def test_reloading_and_coming_late_lose_nothing(scene: Scene, page: Any) -> None:
    for t in range(100, 2900, 50):
        scene.fly(float(t))
    scene.voice.say(scene.story.track(2850.0))
    for advisory in scene.story.advisories(2900.0):
        scene.voice.say(advisory)
    shown(page, scene, scene.fly(2900.0))

    def story() -> Any:
        with urllib.request.urlopen(f"{scene.watch.address}history?aircraft=heron-1") as answer:
            return json.load(answer)

    before = story()
    assert len(before["points"]) == 57
    scene.watch.stop()
    scene.watch = Watch(scene.broker.port, scene.store).start()
    page.goto(scene.watch.address)
    page.wait_for_function("() => document.querySelectorAll('#alert-list li').length === 3")
    assert story() == before
    page.wait_for_selector(".mid.past", state="attached")
    until(lambda: points(page, ".mid.past") == 57)


def test_advisories_of_the_time_away_are_not_missed(scene: Scene, page: Any) -> None:
    """The laptop sleeps through the whole story; the broker has queued it."""
    shown(page, scene, scene.fly(800.0))
    scene.watch.stop()
    for advisory in scene.story.advisories(2900.0):
        scene.voice.say(advisory)
    scene.fly(2900.0)
    scene.watch = Watch(scene.broker.port, scene.store).start()
    page.goto(scene.watch.address)
    page.wait_for_function("() => document.querySelectorAll('#alert-list li').length === 3")
    assert page.is_hidden("#missing")
    # Nobody has spoken since: what the broker kept is not called live.
    assert "no new ones have been heard" in read(page, "#fresh")
