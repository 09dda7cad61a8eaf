"""A flight's lessons are written once, after the landing; a disk that refuses is asked again."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from supervisor import learned, lessons
from supervisor.core.estimate.estimator import Estimator
from supervisor.core.estimate.prior import Lessons
from supervisor.lessons import LEAST_AIRBORNE_S, LessonKeeper
from tests.core.flights import cruise, flight

DATE_S = 1.8e9


@pytest.fixture(scope="module")
def taught() -> Lessons:
    estimator = Estimator(flight())
    for obs in cruise(0.0, 200):
        estimator.observe(obs)
    return replace(estimator.lessons(), airborne_s=1500.0, used_ah=6.0)


def flown(keeper: LessonKeeper, what: Lessons, unix_s: float = DATE_S) -> None:
    for phase in ("unknown", "ground", "hover-climb", "cruise", "hover-landing", "ground"):
        keeper.look(phase, lambda: what, unix_s)


def flights(folder: Path) -> int:
    kept = learned.load_aircraft(folder, "heron-1")
    return kept.flights if kept else 0


def test_written_once_at_the_landing(tmp_path: Path, taught: Lessons) -> None:
    keeper = LessonKeeper(tmp_path, flight())
    for phase in ("ground", "cruise"):
        keeper.look(phase, lambda: taught, DATE_S)
    assert flights(tmp_path) == 0
    keeper.look("ground", lambda: taught, DATE_S)
    keeper.look("ground", lambda: taught, DATE_S)
    assert (flights(tmp_path), keeper.kept, keeper.trouble) == (1, 1, "")


def test_a_second_flight_of_one_power_up_counts_its_own_charge(
    tmp_path: Path, taught: Lessons
) -> None:
    keeper = LessonKeeper(tmp_path, flight())
    flown(keeper, taught)
    flown(keeper, replace(taught, used_ah=10.0))  # the counter goes on from the first one's 6 Ah
    pack = learned.load_pack(tmp_path, "P07")
    assert pack is not None
    assert [row.used_ah for row in pack.logbook] == [6.0, 4.0]


def test_each_flight_of_one_power_up_has_its_own_lowest_cell(
    tmp_path: Path, taught: Lessons
) -> None:
    keeper = LessonKeeper(tmp_path, flight())
    for lowest_v in (2.8, math.inf, 3.1):  # inf: no cell was told
        for phase, seen_v in (("cruise", lowest_v), ("hover-landing", 3.3), ("ground", 3.6)):
            keeper.look(phase, lambda: taught, DATE_S, min(seen_v, lowest_v + 0.1))
    pack = learned.load_pack(tmp_path, "P07")
    assert pack is not None
    assert [row.lowest_cell_v for row in pack.logbook] == [2.8, 3.3, 3.1]
    assert {row.min_cell_v for row in pack.logbook} == {flight().policy.min_cell_v}


def test_a_hop_teaches_nothing(tmp_path: Path, taught: Lessons) -> None:
    flown(LessonKeeper(tmp_path, flight()), replace(taught, airborne_s=LEAST_AIRBORNE_S - 1.0))
    assert list(tmp_path.iterdir()) == []


def test_without_a_folder_nothing_is_kept(taught: Lessons) -> None:
    keeper = LessonKeeper(None, flight())
    flown(keeper, taught)
    assert keeper.kept == 0


def test_an_unknown_date_is_the_computer_s(
    tmp_path: Path, taught: Lessons, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lessons, "wall_unix_s", lambda: 5.0)
    flown(LessonKeeper(tmp_path, flight()), taught, math.nan)
    kept = learned.load_aircraft(tmp_path, "heron-1")
    assert kept is not None
    assert kept.updated_unix_s == 5.0


def test_a_disk_that_refuses_is_said_and_asked_again(
    tmp_path: Path, taught: Lessons, monkeypatch: pytest.MonkeyPatch
) -> None:
    keeper = LessonKeeper(tmp_path, flight())

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(lessons, "keep", full)
        flown(keeper, taught)
        assert "No space left" in keeper.trouble
    keeper.look("ground", lambda: taught, DATE_S)
    assert (flights(tmp_path), keeper.trouble) == (1, "")


@pytest.mark.parametrize(
    "wrong",
    [
        {"temperature_c": math.nan},
        {"used_ah": math.inf},
        {"power": "broken"},
    ],
)
def test_what_no_flight_can_teach_is_not_kept(
    tmp_path: Path, taught: Lessons, wrong: dict[str, object]
) -> None:
    if wrong.get("power"):
        wrong = {"power": replace(taught.power, log_mean=np.full(5, 2.5))}
    keeper = LessonKeeper(tmp_path, flight())
    flown(keeper, replace(taught, **wrong))  # type: ignore[arg-type]
    assert keeper.trouble
    assert keeper.kept == 0
    assert list(tmp_path.iterdir()) == []  # nor half of it
    flown(keeper, taught)  # and the next flight's lessons are kept
    assert (keeper.kept, keeper.trouble) == (1, "")
