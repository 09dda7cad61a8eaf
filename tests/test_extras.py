"""A library that is missing is told before anything is reckoned, with what gets it."""

from __future__ import annotations

import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from click.testing import CliRunner

from supervisor import extras
from supervisor.cli import group
from supervisor.errors import InputError

ROOT = Path(__file__).resolve().parent.parent
FLIGHT = str(ROOT / "deploy" / "ci-example" / "flight.toml")


@pytest.fixture
def bare(monkeypatch: pytest.MonkeyPatch) -> None:
    """An environment in which no extra is installed."""

    def version(name: str) -> str:
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr(extras, "version", version)


@pytest.mark.usefixtures("bare")
@pytest.mark.parametrize(
    ("line", "library", "extra"),
    [
        (f"budget {FLIGHT} --html out.html", "matplotlib", "report"),
        ("debrief none.mcap --html out.html", "matplotlib", "report"),
        ("calibrate none.mcap --html out.html", "matplotlib", "report"),
        ("fly --scenario survey --plot out.png", "matplotlib", "report"),
        ("watch --broker mqtt://127.0.0.1:1", "starlette", "watch"),
        ("keys out", "cryptography", "keys"),
        ("demo", "amqtt", "demo"),
    ],
)
def test_it_is_told_first_and_how_to_get_it(line: str, library: str, extra: str) -> None:
    result = CliRunner().invoke(group, line.split(), standalone_mode=False)
    assert isinstance(result.exception, InputError)
    assert f"needs {library}: {sys.executable} -m pip install '.[{extra}]'" in str(result.exception)
    assert result.output == ""  # no answer before the refusal


@pytest.mark.usefixtures("bare")
def test_without_the_page_no_extra_is_wanted() -> None:
    assert CliRunner().invoke(group, ["budget", FLIGHT], standalone_mode=False).return_value == 0


@pytest.mark.parametrize("extra", ["keys", "demo", "watch", "report"])
def test_the_libraries_are_those_of_the_project_file(extra: str) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [re.split("[>=<]", line)[0] for line in project["optional-dependencies"][extra]]
    assert extras.libraries(extra) == wanted
    extras.need("a test", extra)  # whoever runs the tests has them all
