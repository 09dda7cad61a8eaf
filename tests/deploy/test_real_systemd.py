"""The unit under a real service manager; only with HOMELEG_LONG=1, as root, where systemd is."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

FOLDER = Path(__file__).parent
WANTED = ("systemctl", "unshare", "nsenter", "pivot_root", "ip")


@pytest.mark.system
@pytest.mark.slow
@pytest.mark.skipif(os.environ.get("HOMELEG_LONG") != "1", reason="minutes: HOMELEG_LONG=1")
@pytest.mark.skipif(os.geteuid() != 0 or not all(map(shutil.which, WANTED)), reason="needs root")
def test_the_unit_lives_through_it() -> None:
    run = subprocess.run([FOLDER / "real_systemd"], capture_output=True, text=True, timeout=1800)
    assert run.returncode == 0, run.stdout + run.stderr
    assert run.stdout.count("met: ") == 14
    assert "NOT" not in run.stdout


@pytest.mark.parametrize("script", ["real_systemd", "unit_life"])
def test_the_scripts_are_shell(script: str) -> None:
    shell = "bash" if script == "real_systemd" else "sh"
    assert subprocess.run([shell, "-n", FOLDER / script]).returncode == 0
