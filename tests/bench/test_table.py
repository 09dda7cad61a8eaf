"""Every bench runs in its smallest form and gives a table; how fast it is, is not judged here."""

from __future__ import annotations

import json
import math
import shutil
import subprocess
import sys

import pytest

from tests.bench.row import ROOT, Aim, Form, Growth, Row, growth
from tests.bench.table import BENCHES, line, measured

WITH_BROKER = ("daemon", "watch")


@pytest.mark.parametrize("name", BENCHES)
def test_a_bench_gives_rows_with_finite_figures(name: str) -> None:
    """What a bench compares must agree, too: each asserts that of itself."""
    if name in WITH_BROKER and shutil.which("mosquitto", path="/usr/sbin:/usr/bin") is None:
        pytest.skip("mosquitto is not installed")
    rows = list(measured([name], Form.QUICK))
    assert rows
    for row in rows:
        assert row.ours > 0.0
        assert math.isfinite(row.ours)
        assert row.reference > 0.0
        assert math.isfinite(row.ratio)
        assert row.growth is None or math.isfinite(row.growth.exponent)
        assert row.against
        json.dumps(row.plain(), allow_nan=False)


def test_the_exponent_is_that_of_a_power_law() -> None:
    """Worked by hand: c = 3 n ** p."""
    for power in (0.0, 1.0, 2.0):
        costs = [3.0 * n**power for n in (10, 40, 90)]
        grown = growth("members", (10, 40, 90), costs)
        assert isinstance(grown, Growth)
        assert grown.exponent == pytest.approx(power, abs=1e-12)
    assert growth("members", (10,), (1.0,)) is None


def test_a_ratio_says_how_many_times_cheaper_ours_is() -> None:
    row = Row("a", 2.0, "s", 8.0, "b", Aim("ratio", 4.0))
    assert row.ratio == 4.0
    assert row.reached
    assert not Row("a", 2.0, "s", 8.0, "b", Aim("ours", 1.9)).reached
    assert Row("a", 2.0, "s", 8.0, "b").reached is None
    assert "≥ 4× yes" in line(row)


def test_the_command_gives_json() -> None:
    words = [sys.executable, "-m", "tests.bench", "status", "--quick", "--json"]
    found = json.loads(subprocess.run(words, cwd=ROOT, capture_output=True, check=True).stdout)
    assert set(found["machine"]) == {"date", "processor", "python", "load"}
    assert found["rows"][0]["name"] == "status to JSON"


def test_an_unknown_bench_is_refused() -> None:
    words = [sys.executable, "-m", "tests.bench", "weather"]
    refused = subprocess.run(words, cwd=ROOT, capture_output=True)
    assert refused.returncode == 2
    assert b"no such bench: weather" in refused.stderr
