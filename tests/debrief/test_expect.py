"""The gate: which advisories must come, which not, how it must end."""

from __future__ import annotations

import math
from pathlib import Path
from xml.etree import ElementTree

import pytest

from supervisor import messages
from supervisor.core.decide.rules import RULES
from supervisor.errors import InputError
from supervisor.expect import (
    Check,
    Expected,
    Outcome,
    Watcher,
    all_met,
    flat,
    judge,
    judge_figures,
    load_expected,
)
from supervisor.expect_report import to_junit, to_markdown


def advisory(condition: str, level: messages.LevelName, minute: float) -> messages.Advisory:
    return messages.Advisory(
        aircraft="a", flight="f", t=60.0 * minute, seq=1, condition=condition, level=level,
        sentence="-", numbers=None, why_wh={},
    )  # fmt: skip


def outcome(*advisories: messages.Advisory, **other: float) -> Outcome:
    figures = {"above_reserve_wh": 50.0, "lowest_cell_v": 3.1} | other
    return Outcome(advisories, 120.0, True, **figures)


def met(expected: str, found: Outcome, tmp_path: Path) -> list[bool]:
    path = tmp_path / "expected.toml"
    path.write_text(f"schema = 1\n{expected}")
    return [check.met for check in judge(load_expected(path), found)]


MUST = '[[must]]\ncondition = "turn-back-soon"\nlevel = "caution"\nfrom_min = 10\nby_min = 20\n'


@pytest.mark.parametrize(
    ("minute", "level", "good"),
    [
        (17.0, "caution", True),  # take-off is at 2 min: 15 min after it
        (17.0, "warning", True),  # a higher level does as well
        (17.0, "advisory", False),
        (11.9, "caution", False),  # too early
        (22.1, "caution", False),  # too late
    ],
)
def test_what_must_come_must_come_in_time(
    minute: float, level: messages.LevelName, good: bool, tmp_path: Path
) -> None:
    found = outcome(advisory("turn-back-soon", level, minute))
    assert met(MUST, found, tmp_path) == [good]


def test_what_does_not_come_is_not_met(tmp_path: Path) -> None:
    assert met(MUST, outcome(advisory("turn-back-now", "warning", 17.0)), tmp_path) == [False]


def test_never_looks_at_the_level_and_not_at_endings(tmp_path: Path) -> None:
    never = '[[never]]\ncondition = "pack-weak"\nlevel = "caution"\n'
    assert met(never, outcome(advisory("pack-weak", "advisory", 5.0)), tmp_path) == [True]
    assert met(never, outcome(advisory("pack-weak", "normal", 5.0)), tmp_path) == [True]
    assert met(never, outcome(advisory("pack-weak", "warning", 5.0)), tmp_path) == [False]


def test_an_unknown_landing_figure_is_not_met(tmp_path: Path) -> None:
    landing = "[landing]\nabove_reserve_wh = 0.0\nlowest_cell_v = 3.0\n"
    assert met(landing, outcome(), tmp_path) == [True, True, True]
    assert met(landing, outcome(lowest_cell_v=math.nan), tmp_path) == [True, True, False]
    assert met(landing, outcome(above_reserve_wh=-1.0), tmp_path) == [True, False, True]


def test_endings_do_not_count_as_advisories(tmp_path: Path) -> None:
    found = outcome(advisory("a", "caution", 3.0), advisory("a", "normal", 4.0))
    assert met("[limits]\nadvisories = 1\n", found, tmp_path) == [True]
    assert met("[limits]\nadvisories = 0\n", found, tmp_path) == [False]


def test_figures_of_a_campaign_lie_between_their_bounds() -> None:
    expected = Expected.model_validate({
        "schema": 1,
        "probability": {"late_rate": {"at_most": 0.01}, "coverage": {"at_least": 0.8}, "x": {}},
    })  # fmt: skip
    checks = judge_figures(expected, {"late_rate": 0.02, "coverage": 0.9})
    assert [c.met for c in checks] == [False, True, False]  # x: no such figure


def test_figures_of_a_nested_table_have_dotted_names() -> None:
    table = {"late_rate": 0.01, "rows": [1, 2], "coverage": {"landing": {"inside": 0.9}}, "x": None}
    assert flat(table) == {"late_rate": 0.01, "coverage.landing.inside": 0.9}


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("must = 3", "must"),
        ('[[must]]\ncondition = "divert"\nlevel = "loud"', r"must\[0\].level = 'loud'"),
        ("[limits]\nadvisorys = 1", "limits.advisorys"),
        ('[[must]]\ncondition = "divert"\nfrom_min = 3\nby_min = 2', "from_min is after by_min"),
        ("x = [", "TOML"),
    ],
)
def test_a_wrong_file_names_the_key(text: str, named: str, tmp_path: Path) -> None:
    path = tmp_path / "e.toml"
    path.write_text(f"schema = 1\n{text}")
    with pytest.raises(InputError, match=named):
        load_expected(path)


@pytest.mark.parametrize("table", ["must", "never"])
def test_a_misspelt_condition_is_refused_and_not_taken_for_one_that_never_came(
    table: str, tmp_path: Path
) -> None:
    path = tmp_path / "e.toml"
    path.write_text(f'schema = 1\n[[{table}]]\ncondition = "turn-back-nwo"\n')
    with pytest.raises(InputError) as caught:
        load_expected(path)
    text = str(caught.value)
    assert text.startswith(f"{path}: {table}[0].condition = 'turn-back-nwo': unknown condition")
    assert "did you mean 'turn-back-now'?" in text
    assert all(rule.condition in caught.value.allowed for rule in RULES)


def test_watcher_counts_from_take_off() -> None:
    watcher = Watcher(final_reserve_wh=80.0)
    for t, phase, energy in ((0, "ground", 800), (30, "hover-climb", 790), (900, "ground", 130)):
        watcher.hear(status(float(t), phase, float(energy)))
    watcher.hear(advisory("a", "caution", 2.0))
    found = watcher.outcome()
    assert found.take_off_s == 30.0
    assert found.landed
    assert found.above_reserve_wh == 50.0


def status(t: float, phase: str, energy_wh: float) -> messages.Status:
    pack = messages.Pack(
        charge_percent=50.0, charge_sd_percent=1.0, energy_wh=energy_wh, pack_v=None,
        weakest_cell_v=None, current_a=None, temperature_c=None,
    )  # fmt: skip
    return messages.Status(
        aircraft="a", flight="f", t=t, phase=phase, level="normal", sentence="", where=None,
        numbers=None, turn_back_place=None, ledger_wh={}, planned_wh={}, why_wh={}, wind=None,
        pack=pack, alternates=[], active=[], advice={}, telemetry_age_s=0.0,
    )  # fmt: skip


CHECKS = [Check("a < b & c", True, "5"), Check("never d|e", False, "came at 3.0 min")]


def test_junit_is_xml_that_counts_failures() -> None:
    suite = ElementTree.fromstring(to_junit("flight <1>", CHECKS)).find("testsuite")
    assert suite is not None
    assert (suite.get("tests"), suite.get("failures")) == ("2", "1")
    cases = suite.findall("testcase")
    assert cases[0].get("name") == "a < b & c"
    failure = cases[1].find("failure")
    assert failure is not None
    assert failure.get("message") == "came at 3.0 min"


def test_markdown_says_what_is_not_met() -> None:
    text = to_markdown("flight", CHECKS, ["0:01:00  CAUTION ```x"])
    assert "expectations NOT met" in text
    assert "| **no** | never d\\|e | came at 3.0 min |" in text
    assert text.count("```") == 2
    assert not all_met(CHECKS)
