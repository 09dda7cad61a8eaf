"""A page from a file in a real browser; skipped where none is installed."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest


@contextmanager
def opened(path: Path) -> Iterator[Any]:
    """The file as Chromium shows it. ``page.asked``: every address that it asked for."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=program, args=["--no-sandbox"])
        page = browser.new_page()
        page.asked = []
        page.on("request", lambda asked: page.asked.append(asked.url))
        page.goto(path.as_uri())
        yield page
        browser.close()
