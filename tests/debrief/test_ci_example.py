"""The workflow that stands in the README: its own commands are run, on its own files."""

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

from supervisor import messages
from supervisor.whatif import changed_flight, compared

EXAMPLE = Path(__file__).parents[2] / "deploy" / "ci-example"
COMMAND = re.compile(r"^\s*- run: (homeleg .*)$", re.MULTILINE)


def workflow() -> str:
    """The README's only YAML block."""
    readme = (EXAMPLE.parents[1] / "README.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"^```yaml\n(.*?)^```", readme, re.DOTALL | re.MULTILINE)
    return str(text)


def commands() -> list[str]:
    return COMMAND.findall(workflow())


def test_the_file_to_copy_is_what_the_readme_shows() -> None:
    assert (EXAMPLE / "homeleg.yml").read_text(encoding="utf-8") == workflow()


def test_the_workflow_is_yaml_with_steps_that_a_runner_knows() -> None:
    yaml = pytest.importorskip("yaml")
    job = yaml.safe_load(workflow())["jobs"]["mission"]
    assert all({"run", "uses"} & set(step) for step in job["steps"])
    ran = [step["run"] for step in job["steps"] if "run" in step]
    assert [line for line in ran if line.startswith("homeleg ")] == commands()
    assert len(ran) == len(commands()) + 1  # the other one installs


def run(line: str, folder: Path) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"GITHUB_STEP_SUMMARY": str(folder / "summary.md")}
    summary = environment["GITHUB_STEP_SUMMARY"]
    words = shlex.split(line.replace("$GITHUB_STEP_SUMMARY", summary))
    return subprocess.run(
        [sys.executable, "-m", "supervisor", *words[1:]], cwd=folder, capture_output=True,
        text=True, timeout=600, env=environment,
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
    """A pilot who wants 3.8 V a cell under load would have been warned: 3.70 V were seen."""
    line = f"homeleg replay {recorded} --members 60 --json"
    assert run(line, recorded.parent).stdout == ""
    done = run(f"{line} --what-if policy.min_cell_v=3.8", recorded.parent)
    assert done.returncode == 0, done.stderr
    assert '"level":"warning"' in done.stdout


def test_what_if_is_compared_with_what_was_flown() -> None:
    flown = [told("turn-back-soon", "caution", 60.0), told("turn-back-soon", "normal", 90.0)]
    changed = [told("pack-weak", "caution", 30.0), told("turn-back-soon", "caution", 20.0)]
    assert compared(flown, changed) == [
        ("turn-back-soon", "caution", 60.0, 20.0),
        ("pack-weak", "caution", None, 30.0),
    ]


def told(condition: str, level: messages.LevelName, t: float) -> messages.Advisory:
    return messages.Advisory(
        aircraft="a", flight="f", t=t, seq=1, condition=condition, level=level, sentence="-",
        numbers=None, why_wh={},
    )  # fmt: skip


def test_a_wind_in_short_is_a_forecast() -> None:
    text = (EXAMPLE / "flight.toml").read_text(encoding="utf-8")
    flight = changed_flight(text, ["wind=270/8,180/4", "policy.confidence=0.9"], EXAMPLE, "f")
    first, second = flight.weather.wind
    assert (round(first.e_mps, 6), round(first.n_mps, 6)) == (8.0, 0.0)  # from the west: blows east
    assert (round(second.n_mps, 6), second.after_s) == (4.0, 3600.0)
    assert flight.policy.confidence == 0.9
