"""The report in a real Chromium: widths, no outside address, print on A4, accessibility."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from supervisor.cli import group
from tests.browser import opened

pytestmark = pytest.mark.browser
SCENARIOS = Path(__file__).parents[2] / "sim/scenarios"
PAGES = {"estuary": 3, "highsite": 3, "survey": 5}  # A4; the survey has 36 route points


@pytest.fixture(scope="module", params=PAGES)
def page(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    path = tmp_path_factory.mktemp("page") / f"{request.param}.html"
    args = ["budget", str(SCENARIOS / request.param / "flight.toml"), "--html", str(path)]
    assert CliRunner().invoke(group, args, standalone_mode=False).exception is None
    with opened(path) as shown:
        shown.most = PAGES[request.param]
        yield shown


def test_nothing_outside_is_asked_for(page: Any) -> None:
    assert [url for url in page.asked if not url.startswith("file:")] == []


@pytest.mark.parametrize("width", [360, 390, 768, 1920])
def test_it_fits_the_width(page: Any, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_verdict_stands_on_the_first_look(page: Any) -> None:
    page.set_viewport_size({"width": 1000, "height": 900})
    top = page.locator(".verdict").bounding_box()
    assert top is not None
    assert top["y"] + top["height"] < 500
    assert "remote pilot decides" in page.locator(".caution").first.inner_text()


def test_a_picture_can_be_read_on_a_phone(page: Any) -> None:
    """Drawn for 7.3 inches with 7 points at least: below 600 px of width that is too small."""
    page.set_viewport_size({"width": 390, "height": 844})
    for box in page.locator("figure svg").all():
        assert box.bounding_box()["width"] >= 600


def test_what_may_break_over_pages_comes_before_the_picture_that_may_not(page: Any) -> None:
    """After the caution, which ends the first sheet's fixed part: else a fifth of it is empty."""
    after = page.eval_on_selector(".caution ~ h2", "h => h.nextElementSibling.className")
    assert after == "scroll"


def test_it_prints_on_few_pages(page: Any) -> None:
    printed = page.pdf(prefer_css_page_size=True)
    assert 2 <= len(re.findall(rb"/Type\s*/Page[^s]", printed)) <= page.most
    assert re.search(rb"/MediaBox\s*\[0 0 59[4-6][.\d]* 84[12][.\d]*\]", printed)  # A4 in points


@pytest.mark.parametrize("width", [390, 1280])
def test_no_serious_accessibility_fault(page: Any, width: int) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page.set_viewport_size({"width": width, "height": 900})
    found = axe.Axe().run(page).response["violations"]
    assert [v["id"] for v in found if v["impact"] in ("serious", "critical")] == []
