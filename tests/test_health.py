"""What the daemon says of the storage under it."""

from __future__ import annotations

from pathlib import Path

import pytest

from supervisor.daemonfile import parse_daemon
from supervisor.health import _disk


def told(folder: Path, least_mb: float = 0.0) -> str:
    data = {"storage": {"directory": str(folder)}, "health": {"min_free_mb": least_mb}}
    return _disk(parse_daemon(data, "test"))


def test_a_folder_with_room_is_no_trouble(tmp_path: Path) -> None:
    assert told(tmp_path) == ""


def test_a_full_disk_is_told_as_that(tmp_path: Path) -> None:
    assert told(tmp_path, 1e9) == "less than 1000000000 MB of disk are left"


@pytest.mark.parametrize("folder", ["/proc/x", "/etc/hostname"])
def test_a_folder_that_cannot_be_written_is_not_called_full(folder: str) -> None:
    assert told(Path(folder), 1e9) == f"nothing can be written to {folder}"
