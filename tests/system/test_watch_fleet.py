"""Fifty aircraft on one page."""

from __future__ import annotations

import contextlib
import sys
import time
from pathlib import Path
from typing import Any

import psutil
import pytest
from page_scene import Scene, fresh_page
from watching import WIDTHS, axe, keep_screenshot, until

sys.path.insert(0, str(Path(__file__).parents[1] / "watch"))
from scripted import TURN_T, Story

pytestmark = [pytest.mark.system, pytest.mark.browser]


def test_fifty_aircraft_stay_light_and_sorted(browser: Any, scene: Scene) -> None:
    """Fifty statuses a second for 12 s: long tasks, the processor's share, the order of rows.

    A long task is counted by the wall clock, so another load of this machine can make one; what the
    page itself is slow at is slow again in the second and third round.
    """
    stories = [Story(f"heron-{i}", lead_s=60.0 * i) for i in range(50)]
    for story in stories:
        scene.voice.say(story.plan())
    page = fresh_page(browser)
    page.add_init_script("""window.longest = 0; new PerformanceObserver(list => {
        for (const task of list.getEntries()) window.longest = Math.max(window.longest,
        task.duration); }).observe({ type: 'longtask', buffered: true });""")
    page.goto(scene.watch.address)
    page.evaluate(BUSY_120_MS)
    page.wait_for_function("() => window.longest >= 100")  # the observer does see long tasks
    for round_ in range(3):
        page.evaluate("window.longest = 0")
        fleet_speaks(scene, stories, TURN_T - 120.0 + 12 * round_)
        longest = page.evaluate("window.longest")
        print(f"longest task {longest:.0f} ms")
        if longest < 200.0:
            break
    until(lambda: names(page)[:3] == ["heron-0", "heron-1", "heron-2"])
    assert len(names(page)) == 50
    assert longest < 200.0
    for width in WIDTHS:
        page.set_viewport_size(dict(zip(("width", "height"), WIDTHS[width], strict=True)))
        page.wait_for_timeout(100)
        assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0
        keep_screenshot(page, f"fleet-{width}")
    page.evaluate(axe())
    found = page.evaluate("() => axe.run({ runOnly: ['wcag2a', 'wcag2aa', 'wcag22aa'] })")
    assert [v["id"] for v in found["violations"]] == []
    page.click("#fleet-list a >> nth=2")
    page.wait_for_function("() => document.querySelector('#name').textContent === 'heron-2'")
    page.wait_for_selector("#others")  # who else needs attention
    page.context.close()


def names(page: Any) -> list[str]:
    """Of the rows, from the top."""
    return list(
        page.eval_on_selector_all("#fleet-list strong", "all => all.map(n => n.textContent)")
    )


def _renderers_s() -> float:
    """Processor time of this test's browser, page drawing included (no GPU)."""
    spent = 0.0
    for process in psutil.Process().children(recursive=True):
        with contextlib.suppress(psutil.Error):
            if "chrom" in process.name():
                spent += sum(process.cpu_times()[:2])
    return spent


BUSY_120_MS = """setTimeout(() => { const end = performance.now() + 120;
    while (performance.now() < end); }, 0)"""


def fleet_speaks(scene: Scene, stories: list[Story], t: float) -> None:
    """All of them, once a second for 12 s; says what watcher and browser spend on it."""
    assert scene.watch.process is not None
    watcher = psutil.Process(scene.watch.process.pid)
    began, browsed = time.monotonic(), _renderers_s()
    spent = sum(watcher.cpu_times()[:2])
    for second in range(12):
        for story in stories:
            scene.voice.say(story.status(t + second))
        time.sleep(max(began + second + 1.0 - time.monotonic(), 0.0))
    share = 100.0 / (time.monotonic() - began)
    cpu, drawn = share * (sum(watcher.cpu_times()[:2]) - spent), share * (_renderers_s() - browsed)
    resident_mb = watcher.memory_info().rss / 1e6
    print(f"50 aircraft: watcher {cpu:.0f} % of a core, {resident_mb:.0f} MB; page {drawn:.0f} %")
