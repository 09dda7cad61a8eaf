"""The workflow that users copy: its own commands are run, on its own files."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

EXAMPLE = Path(__file__).parents[2] / "deploy" / "ci-example"
COMMAND = re.compile(r"^\s*- run: (homeleg .*)$", re.MULTILINE)


def commands() -> list[str]:
    return COMMAND.findall((EXAMPLE / "homeleg.yml").read_text(encoding="utf-8"))


def run(line: str, folder: Path) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"GITHUB_STEP_SUMMARY": str(folder / "summary.md")}
    summary = environment["GITHUB_STEP_SUMMARY"]
    words = shlex.split(line.replace("$GITHUB_STEP_SUMMARY", summary))
    return subprocess.run(
        [sys.executable, "-m", "supervisor", *words[1:]], cwd=folder, capture_output=True,
        text=True, timeout=120, env=environment,
    )  # fmt: skip


def test_the_example_workflow_passes_and_its_gate_closes(tmp_path: Path) -> None:
    for name in ("flight.toml", "scenario.toml", "expected.toml"):
        shutil.copy(EXAMPLE / name, tmp_path)
    lines = commands()
    assert [line.split()[1] for line in lines] == ["budget", "fly", "replay", "debrief"]
    for line in lines:
        done = run(line, tmp_path)
        assert done.returncode == 0, done.stdout + done.stderr
    suite = ElementTree.parse(tmp_path / "report.xml").getroot().find("testsuite")
    assert suite is not None
    assert (suite.get("tests"), suite.get("failures")) == ("6", "0")
    assert "expectations met" in (tmp_path / "summary.md").read_text(encoding="utf-8")
    assert (tmp_path / "debrief.html").stat().st_size > 10_000
    # and with an expectation that cannot be met the same step fails
    strict = (tmp_path / "expected.toml").read_text().replace("= 200.0", "= 2000.0")
    (tmp_path / "expected.toml").write_text(strict)
    assert run(lines[2], tmp_path).returncode == 1


@pytest.mark.parametrize("change", ["pack.capacity_ah=", "pack=3", "nonsense", "wind=west"])
def test_a_wrong_what_if_is_refused(recorded: Path, change: str) -> None:
    done = run(f"homeleg replay {recorded} --what-if {change}", recorded.parent)
    assert done.returncode == 2
    assert "homeleg:" in done.stderr


def test_what_if_changes_what_is_said(recorded: Path) -> None:
    """Half the pack: the same recording now warns."""
    done = run(
        f"homeleg replay {recorded} --members 60 --what-if pack.initial_charge_percent=30 --json "
        "--what-if pack.capacity_ah=9",
        recorded.parent,
    )
    assert done.returncode == 0, done.stderr
    assert '"level":"warning"' in done.stdout
