"""The daemon file: how it refuses."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel

from supervisor.daemonfile import DaemonFile, load_daemon_file
from supervisor.errors import InputError


def refusal(text: str, tmp_path: Path) -> str:
    path = tmp_path / "daemon.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_daemon_file(path)
    return str(caught.value).removeprefix(f"{path}: ")


def test_an_unknown_key_is_told_with_a_guess_and_what_is_allowed(tmp_path: Path) -> None:
    text = refusal('lgo = "json"', tmp_path)
    assert text.startswith("lgo: unknown key; did you mean 'log'?")
    assert "(allowed: link, broker, storage, forecast, health, clock, log)" in text


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[broker]\nbudget_kb_per_hour = 0", "broker.budget_kb_per_hour = 0: "),
        ("[broker]\nbudget_kb_per_hour = 0", "(allowed: above 0)"),
        ("[forecast]\nmembers = 20", "(allowed: from 50 to 5000)"),
        ("[broker]\nbudget_kb = 9", "did you mean 'budget_kb_per_hour'?"),
        ('log = "jsn"', "(allowed: 'console' or 'json')"),
    ],
)
def test_a_wrong_value_is_told_with_key_value_and_bounds(
    text: str, told: str, tmp_path: Path
) -> None:
    assert told in refusal(text, tmp_path)


SHOWN = (Path(__file__).resolve().parent.parent / "deploy" / "homeleg.toml").read_text("utf-8")
KEY = re.compile(r"^# (?=[a-z0-9_]+ = )", re.MULTILINE)


def defaults() -> Iterator[tuple[str, str, Any]]:
    """(section, key, default) of everything that a daemon file may say."""
    for name, field in DaemonFile.model_fields.items():
        if isinstance(field.default, BaseModel):
            for key, value in field.default.model_dump(mode="json").items():
                yield name, key, value
        else:
            yield "", name, field.default


def section(data: dict[str, Any], name: str) -> dict[str, Any]:
    found = data[name] if name else data
    return found if isinstance(found, dict) else {}


def test_the_daemon_file_that_is_shipped_shows_every_key_with_its_default() -> None:
    everything = tomllib.loads(KEY.sub("", SHOWN))
    DaemonFile.model_validate(everything)  # so that each line may be uncommented as it stands
    given = tomllib.loads(SHOWN)
    for name, key, default in defaults():
        assert key in section(everything, name), f"{name}.{key} is not shown"
        if default is not None and key not in section(given, name):
            assert section(everything, name)[key] == default, f"{name}.{key}"


def test_what_has_no_default_says_none() -> None:
    """A line of its own, or, for the broker's credentials, the line above them."""
    for name, key, default in defaults():
        if default is None and name != "broker":
            line = re.search(rf"^# {key} = .*$", SHOWN, re.MULTILINE)
            assert line is not None
            assert "none" in line[0]
