"""Fixtures of the tests that look at the watcher's page."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from page_scene import Scene, fresh_page
from watching import chromium


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as one:
        yield one


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    one = Scene(tmp_path)
    with contextlib.closing(one):
        one.voice.say(one.story.plan())
        one.voice.say(one.story.presence())
        yield one


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    one = fresh_page(browser)
    one.faults = []
    one.on("pageerror", lambda error: one.faults.append(str(error)))
    one.on("console", lambda m: one.faults.append(m.text) if m.type == "error" else None)
    yield one
    one.context.close()
