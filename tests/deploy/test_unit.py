"""The unit as the service manager's own tools judge it, and the files that go with it."""

from __future__ import annotations

import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest

from supervisor.daemonfile import load_daemon_file

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"
UNIT = DEPLOY / "systemd" / "homeleg.service"
NEEDS_SYSTEMD = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed"
)


@NEEDS_SYSTEMD
def test_its_exposure_is_at_most_two() -> None:
    run = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=20", str(UNIT)],
        capture_output=True, text=True,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout + run.stderr
    (score,) = re.findall(r"exposure level for homeleg.service: ([\d.]+)", run.stdout)
    assert float(score) <= 2.0
    assert f"says {score} " in (DEPLOY / "SECURITY.md").read_text(encoding="utf-8")


@NEEDS_SYSTEMD
def test_the_service_manager_understands_every_line(tmp_path: Path) -> None:
    text = UNIT.read_text(encoding="utf-8").replace("/opt/homeleg/current/bin/homeleg", "/bin/true")
    text = text.replace("WorkingDirectory=/var/lib/homeleg\n", "")
    unit = tmp_path / "homeleg.service"
    unit.write_text(text, encoding="utf-8")
    run = subprocess.run(
        ["systemd-analyze", "verify", "--recursive-errors=no", str(unit)],
        capture_output=True, text=True,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert "Unknown" not in run.stderr
    assert "homeleg.service" not in run.stderr


def settings() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in UNIT.read_text(encoding="utf-8").splitlines():
        if "=" in line and not line.startswith("#"):
            key, value = line.split("=", 1)
            found.setdefault(key, []).append(value)
    return found


def test_it_restarts_for_ever_and_is_watched() -> None:
    unit = settings()
    assert unit["Type"] == ["notify"]
    assert unit["Restart"] == ["always"]
    assert unit["StartLimitIntervalSec"] == ["0"]
    # The core looks at least each 10 s; a watchdog must be well above that and below a minute.
    assert 15 <= int(unit["WatchdogSec"][0]) <= 60
    assert unit["DynamicUser"] == ["yes"]
    assert unit["SupplementaryGroups"] == ["dialout"]


def test_the_daemon_file_that_is_installed_is_a_daemon_file() -> None:
    daemon = load_daemon_file(DEPLOY / "homeleg.toml")
    assert daemon.log == "json"
    assert str(daemon.storage.directory) == f"/var/lib/{settings()['StateDirectory'][0]}"


def test_every_key_that_it_hints_at_is_one_that_homeleg_keys_makes(tmp_path: Path) -> None:
    from supervisor.keys import Fleet, Wanted

    Fleet(tmp_path).make(Wanted(("localhost",), ("a1",), ("ann",)))
    made = {path.name for path in (tmp_path / "aircraft" / "a1").iterdir()}
    text = (DEPLOY / "homeleg.toml").read_text(encoding="utf-8")
    named = set(re.findall(r"homeleg\.service/keys_([\w.]+)", text)) - {"mavlink.hex", "password"}
    assert named
    assert named <= made
    hints = re.findall(r"^# (\w+ = .*)$", text, re.MULTILINE)
    assert all(tomllib.loads(hint) for hint in hints)


def test_every_dependency_is_pinned_and_its_licence_known() -> None:
    pins = (DEPLOY / "constraints.txt").read_text(encoding="utf-8").split()
    assert all(re.fullmatch(r"[A-Za-z0-9_.-]+==[A-Za-z0-9_.!+]+", pin) for pin in pins)
    names = {pin.split("==")[0].lower().replace("_", "-") for pin in pins}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"].values()
    wanted = [*project["dependencies"], *(name for extra in extras for name in extra)]
    for requirement in wanted:
        name = re.match(r"[A-Za-z0-9_-]+", requirement)
        assert name
        assert name[0] == "homeleg" or name[0].lower() in names, requirement
    rows = (DEPLOY / "licences.txt").read_text(encoding="utf-8").splitlines()[1:]
    listed = {tuple(row.split()[:2]) for row in rows}
    assert {tuple(pin.split("==")) for pin in pins} <= listed
    assert all(len(row.split()) >= 3 for row in rows)


@pytest.mark.parametrize("script", ["install", "uninstall", "check-wheels"])
def test_scripts_are_shell_and_may_be_run(script: str) -> None:
    path = DEPLOY / script
    assert path.stat().st_mode & 0o111
    assert subprocess.run(["sh", "-n", str(path)]).returncode == 0
