"""The daemon file: how it refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

from supervisor.daemonfile import load_daemon_file
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
