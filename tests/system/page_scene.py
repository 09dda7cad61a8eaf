"""A broker, a watcher and a voice behind a page, and how a test reads the page."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

from brokers import plain
from patience import PATIENCE_S
from watching import WIDTHS, Voice, Watch

sys.path.insert(0, str(Path(__file__).parents[1] / "watch"))
from scripted import TURN_T, Story

from supervisor.messages import Status


class Scene:
    """Broker, watcher and voice of one test; statuses carry the flight time that has passed."""

    CALM_S = 600.0  # the next word is promised so late that no busy machine makes it seem missing

    def __init__(self, folder: Path) -> None:
        self.broker = plain(folder / "broker").start()
        self.voice = Voice(self.broker.port)
        self.store = folder / "store"
        self.watch = Watch(self.broker.port, self.store).start()
        self.story = Story()

    def fly(self, t: float, **fields: Any) -> Status:
        status = self.story.status(t).model_copy(update={"next_s": self.CALM_S} | fields)
        self.voice.say(status)
        return status

    def close(self) -> None:
        self.voice.close()
        self.watch.stop()
        self.broker.stop()


def shown(page: Any, scene: Scene, status: Status) -> None:
    """Open the page and wait until it shows ``status``."""
    page.goto(scene.watch.address)
    page.wait_for_selector("#one:not([hidden])")
    page.wait_for_function("s => document.querySelector('#sentence').textContent.endsWith(s)",
                           arg=status.sentence[-20:])  # fmt: skip


def read(page: Any, selector: str) -> str:
    """The text of an element."""
    return str(page.text_content(selector)).strip()


LEVELS = {"fine": 1200.0, "caution": TURN_T - 150.0, "warning": TURN_T + 8.0}


def fresh_page(browser: Any, width: str = "laptop", **options: Any) -> Any:
    """A page of its own context that waits patiently; nothing moves by itself on it."""
    size = dict(zip(("width", "height"), WIDTHS[width], strict=True))
    context = browser.new_context(viewport=size, reduced_motion="reduce", **options)
    context.set_default_timeout(1000.0 * PATIENCE_S)
    return context.new_page()


def painted(browser: Any, scene: Scene, width: str, scheme: str, status: Status) -> Any:
    """A page of that width and colour scheme, on which the status is drawn."""
    page = fresh_page(browser, width, color_scheme=scheme)
    shown(page, scene, status)
    page.wait_for_selector("#rope path", state="attached")
    page.wait_for_selector("#map path", state="attached")
    return page


def tell(scene: Scene, t: float) -> Status:
    """The story so far."""
    for past in range(100, int(t), 100):
        scene.fly(float(past))
    for advisory in scene.story.advisories(t):
        scene.voice.say(advisory)
    return scene.fly(t)


def contrast(page: Any, selector: str) -> float:
    """WCAG 2.2 contrast ratio of an element's text against what is painted behind it."""
    ink, ground = page.eval_on_selector(
        selector,
        """node => {
        let behind = node, colour;
        do { colour = getComputedStyle(behind).backgroundColor; behind = behind.parentElement; }
        while (colour === 'rgba(0, 0, 0, 0)' && behind);
        return [getComputedStyle(node).color, colour]; }""",
    )
    a, b = sorted((luminance(ink), luminance(ground)), reverse=True)
    return (a + 0.05) / (b + 0.05)


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(c) / 255.0 for c in re.findall(r"\d+", colour)[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
