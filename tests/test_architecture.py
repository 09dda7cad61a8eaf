"""The walls of the house, read from the imports."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
CORE_MAY = {
    "__future__", "bisect", "collections", "dataclasses", "enum", "functools", "itertools", "math",
    "numpy", "operator", "statistics", "types", "typing",
}  # fmt: skip
# The only modules in which truth and belief may meet.
GLUE = {
    "sim/harness.py",
    "sim/campaign.py",
    "sim/verification.py",
    "sim/demo.py",
    "sim/demo_screen.py",
    "sim/cli/campaign.py",
    "sim/cli/demo.py",
    "sim/cli/fly.py",
}


def imports(path: Path) -> set[str]:
    """Every module imported in a file, anywhere in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
    return found


def files(folder: str) -> list[Path]:
    found = sorted((ROOT / folder).rglob("*.py"))
    assert found, folder
    return found


def name(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("path", files("supervisor/core"), ids=name)
def test_the_core_is_pure(path: Path) -> None:
    for module in imports(path):
        inside = module.startswith("supervisor.core")
        assert inside or module.split(".")[0] in CORE_MAY, f"{name(path)} imports {module}"


@pytest.mark.parametrize("path", files("supervisor/core"), ids=name)
def test_the_core_reads_no_clock_and_no_file(path: Path) -> None:
    calls = {
        node.func.id
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not calls & {"open", "print", "input", "exec", "eval"}


@pytest.mark.parametrize("path", files("supervisor"), ids=name)
def test_the_supervisor_never_imports_the_simulator(path: Path) -> None:
    assert not [m for m in imports(path) if m.split(".")[0] == "sim"], name(path)


@pytest.mark.parametrize("path", files("supervisor/edge"), ids=name)
def test_the_edge_knows_of_the_core_only_its_events(path: Path) -> None:
    core = {m for m in imports(path) if m.startswith("supervisor.core")}
    assert core <= {"supervisor.core.events", "supervisor.core.constants"}, name(path)


@pytest.mark.parametrize("path", files("sim"), ids=name)
def test_the_truth_is_not_the_belief(path: Path) -> None:
    if name(path) in GLUE:
        return
    assert not [m for m in imports(path) if m.split(".")[0] == "supervisor"], name(path)


def test_nothing_names_this_house_s_tools_or_paths() -> None:
    words = (
        "/wo" + "rk/",
        "/ro" + "ot/",
        "seed " + "document",
        "pypi." + "org",
        "files.python" + "hosted",
    )
    for path in [*files("supervisor"), *files("sim"), *files("tests"), ROOT / "pyproject.toml"]:
        text = path.read_text(encoding="utf-8")
        assert not [w for w in words if w in text], name(path)
