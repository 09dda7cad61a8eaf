"""The page's looks and access: contrast, colours, widths, keyboard, day and night."""

from __future__ import annotations

import sys
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from page_scene import LEVELS, Scene, contrast, luminance, painted, read, shown, tell
from watching import WIDTHS, axe, keep_screenshot, until

sys.path.insert(0, str(Path(__file__).parents[1] / "watch"))


pytestmark = [pytest.mark.system, pytest.mark.browser]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("level", list(LEVELS))
def test_access_contrast_and_width(browser: Any, scene: Scene, level: str, scheme: str) -> None:
    """axe finds nothing (WCAG 2.2 A and AA); main figures reach 7:1; nothing scrolls sideways."""
    status = tell(scene, LEVELS[level])
    script = axe()
    for width in WIDTHS:
        page = painted(browser, scene, width, scheme, status)
        keep_screenshot(page, f"one-{level}-{width}-{scheme}")
        over = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        assert over <= 0, f"{width}: {over} pixels too wide"
        for selector in ("#figure", "#figure-unit", "#word", "#sentence", "#figure-caption"):
            ratio = contrast(page, selector)
            assert ratio >= 7.0, f"{selector} {width} {scheme}: {ratio:.1f}"
        page.evaluate(script)
        found = page.evaluate("""() => axe.run({ runOnly: ['wcag2a', 'wcag2aa', 'wcag21a',
            'wcag21aa', 'wcag22aa', 'best-practice'] })""")
        faults = [(v["id"], [n["target"] for n in v["nodes"]][:3]) for v in found["violations"]]
        assert faults == []
        assert len(found["passes"]) > 15  # it really looked
        page.context.close()


def test_the_contrast_measure_is_right() -> None:
    """Black on white is 21:1, by WCAG's own definition."""
    white, black = luminance("rgb(255, 255, 255)"), luminance("rgb(0, 0, 0)")
    assert (white + 0.05) / (black + 0.05) == pytest.approx(21.0)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_red_and_amber_are_used_for_alerts_only(browser: Any, scene: Scene, scheme: str) -> None:
    """14 CFR 25.1322(e), (f): red for warnings, amber for cautions, neither elsewhere.

    Pixels of the whole page are looked at: none is red or amber while all is well; red comes
    with a warning, amber with a caution.
    """
    image = pytest.importorskip("PIL.Image", reason="pip install pillow")
    scene.fly(800.0)
    hues = {}
    for level, t in LEVELS.items():
        page = painted(browser, scene, "laptop", scheme, scene.fly(t))
        picture = image.open(BytesIO(page.screenshot(full_page=True))).convert("HSV")
        colours = picture.getcolors(picture.width * picture.height)
        vivid = [(n, 360 * h / 255) for n, (h, s, v) in colours if s > 115 and v > 90]
        red = sum(n for n, hue in vivid if hue < 20 or hue > 335)
        amber = sum(n for n, hue in vivid if 25 <= hue <= 60)
        hues[level] = (red, amber)
        page.context.close()
    assert hues["fine"] == (0, 0)
    assert hues["caution"][0] == 0
    assert hues["caution"][1] > 1000
    assert hues["warning"][0] > 1000


def test_every_switch_is_reached_by_keyboard(scene: Scene, page: Any) -> None:
    shown(page, scene, scene.fly(LEVELS["caution"]))
    reached: list[str] = []
    for _ in range(30):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate("""() => document.activeElement.id
            || document.activeElement.className || document.activeElement.tagName""")
        )
    for wanted in ("set-units", "set-theme", "set-sound", "set-notify", "set-speak", "ack",
                   "strip-box", "map", "map-in", "map-follow", "SUMMARY"):  # fmt: skip
        assert wanted in reached, (wanted, reached)
    page.focus("#strip-box")
    before = read(page, "#strip-read")
    page.keyboard.press("End")
    page.wait_for_function("b => document.querySelector('#strip-read').textContent !== b",
                           arg=before)  # fmt: skip


def test_day_and_night_can_be_chosen_and_are_kept(scene: Scene, page: Any) -> None:
    shown(page, scene, scene.fly(1000.0))
    ground = "getComputedStyle(document.body).backgroundColor"
    day = page.evaluate(ground)
    page.click("#set-theme")
    page.click("#set-theme")
    night = page.evaluate(ground)
    assert luminance(night) < 0.05 < luminance(day)
    page.reload()
    page.wait_for_selector("#one:not([hidden])")
    until(lambda: page.evaluate(ground) == night)
