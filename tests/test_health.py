"""What the daemon says of itself: short, each remedy once, and only what changed is news."""

from __future__ import annotations

from pathlib import Path

import pytest

from supervisor.daemonfile import parse_daemon
from supervisor.doctor.finding import bad
from supervisor.health import _by_fix, _disk, _subjects


def test_what_has_one_remedy_is_said_together_and_the_remedy_once() -> None:
    rate = "set its stream rate"
    found = [
        bad("rate of VFR_HUD", "VFR_HUD 0.00 a second, 1 needed", rate),
        bad("GPS", "no three-dimensional fix", "wait under open sky"),
        bad("rate of GPS_RAW_INT", "GPS_RAW_INT 0.10 a second, 0.3 needed", rate),
    ]
    assert _by_fix(found) == [
        "rate of VFR_HUD: VFR_HUD 0.00 a second, 1 needed, "
        "rate of GPS_RAW_INT: GPS_RAW_INT 0.10 a second, 0.3 needed (set its stream rate)",
        "GPS: no three-dimensional fix (wait under open sky)",
    ]
    assert _by_fix([]) == []


def test_a_figure_that_changes_is_no_news_and_one_more_missing_message_is() -> None:
    before = (["rate of VFR_HUD: VFR_HUD 0.95 a second, 1 needed (x)"], [])
    after = (["rate of VFR_HUD: VFR_HUD 0.41 a second, 1 needed (x)"], [])
    more = (["rate of VFR_HUD: VFR_HUD 0.41 a second, 1 needed, rate of ATTITUDE: none (x)"], [])
    assert _subjects(before) == _subjects(after)
    assert _subjects(more) != _subjects(after)


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
