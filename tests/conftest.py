"""The order of all tests: modules with long ones first, so that no worker ends alone with them."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Each module stays together, and in its own order (``tests/run`` keeps it)."""
    long = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in long)
