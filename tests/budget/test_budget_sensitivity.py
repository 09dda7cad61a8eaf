"""A worse day in the table is what the same file says when edited by hand."""

from __future__ import annotations

import json
import math
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from supervisor.cli import group

EXAMPLE = Path(__file__).parents[2] / "sim/scenarios/estuary/flight.toml"
TEXT = EXAMPLE.read_text(encoding="utf-8").replace(
    "reaction_s", 'alternate = "Farrow lighthouse pad"\nreaction_s', 1
)
STALL_MPS = 14.0 * math.sqrt((12.2 + 0.12) / 12.2)  # with the root of the mass
BY_HAND = {
    "wind plus 3 m/s": [("speed_mps = 4.0", "speed_mps = 7.0"), ("mps = 5.0 }", "mps = 8.0 }")],
    "wind plus 6 m/s": [("speed_mps = 4.0", "speed_mps = 10.0"), ("mps = 5.0 }", "mps = 11.0 }")],
    "pack minus 10 %": [("capacity_ah = 19.6", "capacity_ah = 17.64")],
    "temperature minus 15 °C": [
        ("temperature_c = 14.0", "temperature_c = -1.0"),
        ("temperature_c = 18.0", "temperature_c = 3.0"),
    ],
    "payload plus 20 % (0.12 kg)": [
        ("mass_kg = 12.2 ", "mass_kg = 12.32 "),
        ("payload_kg = 0.6", "payload_kg = 0.72"),
        ("stall_mps = 14.0", f"stall_mps = {STALL_MPS}"),
    ],
}


@cache
def answer(text: str, folder: Path) -> Any:
    path = folder / "flight.toml"
    path.write_text(text)
    result = CliRunner().invoke(group, ["budget", str(path), "--json"], standalone_mode=False)
    assert result.exception is None, result.exception
    return json.loads(result.output)


def test_the_days_are_those_that_were_asked_for(tmp_path: Path) -> None:
    assert [v["name"] for v in answer(TEXT, tmp_path)["sensitivity"]] == list(BY_HAND)


@pytest.mark.parametrize("name", BY_HAND)
def test_a_worse_day_is_the_file_edited(tmp_path: Path, name: str) -> None:
    text = TEXT
    for old, new in BY_HAND[name]:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (told,) = [v for v in answer(TEXT, tmp_path)["sensitivity"] if v["name"] == name]
    edited = answer(text, tmp_path)
    policy = edited["policy"]
    kept_wh = policy["final_reserve_wh"] + policy["alternate_wh"]
    assert told["kept_wh"] == pytest.approx(kept_wh, abs=0.01)
    assert told["landing_wh"] == pytest.approx(edited["landing_wh"], abs=1.0)  # coarser steps
    assert told["completion"] == pytest.approx(edited["chances"]["completion"], abs=0.03)


def test_wind_against_the_alternate_s_leg_makes_it_dearer(tmp_path: Path) -> None:
    """Farrow lies east of home: an east wind of 4 m/s, then of 7, against 21 m/s."""
    east = TEXT.replace("from_deg = 270.0", "from_deg = 90.0").replace("mps = 5.0 }", "mps = 4.0 }")
    said = answer(east, tmp_path)
    kept = {v["name"]: v["kept_wh"] for v in said["sensitivity"]}
    own_wh = said["policy"]["final_reserve_wh"] + said["policy"]["alternate_wh"]
    cruise_wh = [360.0 * 36.8e3 / 3600.0 / (21.07 - w) for w in (4.0, 7.0)]  # by hand, pack apart
    assert kept["wind plus 3 m/s"] - own_wh == pytest.approx(cruise_wh[1] - cruise_wh[0], rel=0.1)
