"""The documents are an interface: what they name must exist, and what exists must be named."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import click
import pytest

from supervisor.cli import VERBS, load
from supervisor.core.decide.rules import RULES

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def shell_lines() -> list[str]:
    """Every command of ours in the README's shell blocks, without its comment."""
    blocks = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
    lines = [line.split("#")[0].strip() for block in blocks for line in block.splitlines()]
    return [line for line in lines if line.startswith("homeleg ")]


def options(command: click.Command) -> set[str]:
    found = {o for p in command.params for o in (*p.opts, *p.secondary_opts)}
    if isinstance(command, click.Group):
        for inner in command.commands.values():
            found |= options(inner)
    return found


def test_the_job_stands_in_one_paragraph_at_the_top() -> None:
    first = README.split("\n\n")[1]
    for word in ("hover landing", "reserve", "MQTT", "simulator", "replayed"):
        assert word in first


@pytest.mark.parametrize("line", shell_lines())
def test_every_command_of_the_readme_exists_with_its_options(line: str) -> None:
    name = line.split()[1]
    assert name in VERBS
    assert set(re.findall(r"--[a-z-]+", line)) <= options(load(name))


@pytest.mark.parametrize("name", [v for v in VERBS if v != "arm"])
def test_every_verb_is_in_the_readme(name: str) -> None:
    assert f"homeleg {name}" in README


@pytest.mark.parametrize("name", VERBS)
def test_every_verb_has_help_that_says_something(name: str) -> None:
    text = load(name).help or ""
    assert len(text) > 40


def test_every_condition_is_in_the_readme() -> None:
    for rule in RULES:
        assert f"`{rule.condition}`" in README


def test_what_the_documents_point_at_is_there() -> None:
    pointed = re.findall(r"`((?:deploy|sim|tests|supervisor)/[\w./-]+)`", README + DEVELOPERS)
    assert pointed
    for path in [p for p in pointed if "NAME" not in p]:
        assert (ROOT / path).exists(), path


def test_the_readme_says_how_homeleg_comes_onto_the_path_before_it_is_called() -> None:
    told = README.index(". .venv/bin/activate")
    calls = [README.index(line) for line in shell_lines()]
    assert told < min(calls)


def test_the_readme_names_the_extra_wherever_a_command_wants_one() -> None:
    for line in re.findall(r"^homeleg .*--html.*$", README, re.MULTILINE):
        assert "'.[report]'" in line
    assert "'.[watch]'" in README[: README.index("homeleg watch --broker")]


def test_the_first_command_s_extra_and_constraints_exist() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for extra in re.findall(r"'\.\[(\w+)\]'", README):
        assert extra in project["optional-dependencies"]
    lines = (ROOT / "deploy" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = [line for line in lines if line and not line.startswith("#")]
    assert all(re.fullmatch(r"[A-Za-z0-9_.-]+(\[[a-z]+\])?==[\w.!+-]+", pin) for pin in pins)


def test_cautions_stand_where_a_user_looks() -> None:
    for word in ("no certified equipment", "local rules", "remote", "licence"):
        assert word in README
