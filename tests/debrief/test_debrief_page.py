"""The debrief in a real Chromium: three widths, no outside address, print, accessibility."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from supervisor.debrief.answer import Debrief
from supervisor.debrief.html import to_html
from tests.browser import opened

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page(debrief: Debrief, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    path: Path = tmp_path_factory.mktemp("page") / "debrief.html"
    path.write_text(to_html(debrief), encoding="utf-8")
    with opened(path) as shown:
        yield shown


def test_nothing_outside_is_asked_for(page: Any) -> None:
    assert [url for url in page.asked if not url.startswith("file:")] == []


@pytest.mark.parametrize("width", [360, 768, 1280])
def test_it_fits_the_width(page: Any, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_on_a_phone_no_table_is_cut(page: Any) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    cut = "e => e.filter(x => x.scrollWidth > x.clientWidth).length"
    assert page.locator(".scroll").count() >= 3
    assert page.eval_on_selector_all(".scroll", cut) == 0


def test_the_answer_stands_first_and_the_caution_with_it(page: Any, debrief: Debrief) -> None:
    page.set_viewport_size({"width": 1000, "height": 900})
    top = page.locator(".verdict").bounding_box()
    assert top is not None
    assert top["y"] + top["height"] < 500
    assert f"{debrief.landing_wh:.0f} Wh" in page.locator(".verdict strong").inner_text()
    assert "remote pilot decides" in page.locator(".caution").first.inner_text()


def test_what_may_break_over_pages_comes_between_the_pictures_that_may_not(page: Any) -> None:
    """Two pictures in a row leave what the second one does not fit into: a third of a sheet."""
    parts = "p => p.filter(e => e.matches('figure, .scroll')).map(e => e.className.split(' ')[0])"
    order = page.eval_on_selector_all("main > *", parts)
    assert order[:3] == ["causes", "scroll", "forecast"]
    assert order[order.index("ledger") - 1] == "scroll"


def test_it_prints_on_few_pages(page: Any) -> None:
    printed = page.pdf(prefer_css_page_size=True)
    assert 2 <= len(re.findall(rb"/Type\s*/Page[^s]", printed)) <= 6


def test_no_serious_accessibility_fault(page: Any) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page.set_viewport_size({"width": 1280, "height": 900})
    found = axe.Axe().run(page).response["violations"]
    assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == []
