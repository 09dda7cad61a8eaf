"""Numbers on the command line lie within bounds, or are refused with the bounds: exit status 2."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from supervisor.cli import group
from supervisor.cli.ranges import whole
from supervisor.daemonfile import ForecastSection


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("replay F --members 20", "20 is not in the range 50<=x<=5000"),
        ("replay F --seed -1", "-1 is not in the range x>=0"),
        ("watch --broker mqtt://a --port 70000", "70000 is not in the range 0<=x<=65535"),
        ("watch --broker mqtt://a --wait -1", "-1.0 is not in the range x>=0.0"),
        ("recording trim F G --from -2", "-2.0 is not in the range x>=0.0"),
        ("recording export F G --every nan", "'nan' is no finite number"),
        ("fly --scenario survey --turn-back-at nan", "'nan' is no finite number"),
        ("fly --scenario survey --grid inf", "'inf' is no finite number"),
        ("logbook . --charge nan", "'nan' is no finite number"),
        ("campaign --members 5", "5 is not in the range x>=20"),
    ],
)
def test_a_number_beyond_its_bounds_is_wrong_input(line: str, told: str, tmp_path: Path) -> None:
    words = [str(tmp_path) if word == "." else word for word in line.split()]
    result = CliRunner().invoke(group, words)
    assert result.exit_code == 2
    assert told in result.output


def test_bounds_are_those_of_the_file() -> None:
    assert (whole(ForecastSection, "members").min, whole(ForecastSection, "points").max) == (
        50,
        200,
    )
