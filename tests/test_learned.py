"""The kept files: what goes in comes out, half a file never, and the next flight starts wiser."""

from __future__ import annotations

import json
import math
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from supervisor import learned
from supervisor.core.cruise_scale import slope_sd
from supervisor.core.estimate import pack
from supervisor.core.estimate.estimator import Estimator
from supervisor.core.estimate.prior import BETWEEN_SLOW, PackPrior, PowerPrior, Prior
from supervisor.errors import InputError
from tests.core.flights import cruise, flight


def flown(prior: Prior | None = None, seconds: int = 400) -> Estimator:
    estimator = Estimator(flight(), prior)
    for obs in cruise(0.0, seconds):
        estimator.observe(obs)
    return estimator


def test_a_flight_is_kept_and_is_the_next_ones_prior(tmp_path: Path) -> None:
    first = flown()
    lessons = first.lessons()
    learned.keep(tmp_path, flight(), lessons, 1.8e9)
    prior = learned.prior_for(tmp_path, flight())
    assert prior.power is not None
    assert prior.pack is not None
    np.testing.assert_allclose(prior.power.log_mean, lessons.power.log_mean)
    # wider than it ended, narrower than a first flight starts
    kept = np.diag(prior.power.log_cov)
    assert (kept > np.diag(lessons.power.log_cov)).all()
    second, fresh = Estimator(flight(), prior), Estimator(flight())
    for estimator in (second, fresh):
        for obs in cruise(0.0, 3):
            estimator.observe(obs)
    told, untaught = second.belief(3.0), fresh.belief(3.0)
    assert told is not None
    assert untaught is not None
    assert told.power.log_cov[2, 2] < 0.5 * untaught.power.log_cov[2, 2]
    np.testing.assert_allclose(told.power.log_mean[1:], lessons.power.log_mean[1:])


def test_the_logbook_counts_cycles_and_rows(tmp_path: Path) -> None:
    lessons = replace(flown(seconds=50).lessons(), used_ah=9.8)
    for day in range(3):
        learned.keep(tmp_path, flight(), lessons, 1.8e9 + 86400.0 * day)
    kept = learned.load_pack(tmp_path, "P07")
    assert kept is not None
    assert kept.cycles == pytest.approx(3 * 9.8 / (19.6 * math.exp(lessons.pack.log_mean[1])))
    assert [row.unix_s for row in kept.logbook] == [1.8e9, 1.8e9 + 86400.0, 1.8e9 + 172800.0]
    aircraft = learned.load_aircraft(tmp_path, "heron-1")
    assert aircraft is not None
    assert aircraft.flights == 3


def test_a_restated_capacity_keeps_the_ampere_hours(tmp_path: Path) -> None:
    learned.keep(tmp_path, flight(), flown(seconds=50).lessons(), 1.8e9)
    smaller = replace(flight(), pack=replace(flight().pack, capacity_ah=17.64))
    same = learned.prior_for(tmp_path, flight()).pack
    moved = learned.prior_for(tmp_path, smaller).pack
    assert same is not None
    assert moved is not None
    ah = 19.6 * math.exp(same.log_mean[1])
    assert 17.64 * math.exp(moved.log_mean[1]) == pytest.approx(ah)


def test_nothing_kept_is_no_prior(tmp_path: Path) -> None:
    assert learned.prior_for(tmp_path, flight()) == Prior(None, None)


def test_a_power_cut_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "pack-P07.json"
    learned.write_atomically(path, "old")

    def cut(_: int) -> None:
        raise OSError("power lost")

    monkeypatch.setattr(os, "fsync", cut)
    with pytest.raises(OSError, match="power lost"):
        learned.write_atomically(path, "new, half writ")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["pack-P07.json"]


@pytest.mark.parametrize("text", ["", "{}", '{"pack_id": "P07", "cycles": "many"}', '{"x": 1}'])
def test_a_spoilt_file_is_named(tmp_path: Path, text: str) -> None:
    learned.pack_path(tmp_path, "P07").write_text(text)
    with pytest.raises(InputError, match=r"pack-P07\.json"):
        learned.prior_for(tmp_path, flight())


@pytest.mark.parametrize("name", ["", "../up", "a/b", "a b"])
def test_an_id_that_is_no_file_name_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError):
        learned.pack_path(tmp_path, name)


def test_priors_reach_the_pack_filter() -> None:
    power = PowerPrior(np.zeros(5), 1e-4 * np.eye(5))
    prior = Prior(power, PackPrior(np.array([0.3, -0.1, 0.0]), 1e-6 * np.eye(3)))
    belief = flown(prior, 3).belief(3.0)
    assert belief is not None
    # a prior this sure is doubted as soon as the voltages speak: some of it is the aged pack's
    assert belief.pack.mean[3] == pytest.approx(0.3, abs=0.04)
    assert belief.pack.mean[4] == pytest.approx(-0.1, abs=0.02)


# --- upgrade and roll-back ---------------------------------------------------------------------


def kept_flight(folder: Path) -> tuple[Path, dict[str, object]]:
    """One flight kept; the pack's file and what stands in it."""
    learned.keep(folder, flight(), flown(seconds=50).lessons(), 1.8e9)
    path = learned.pack_path(folder, "P07")
    return path, json.loads(path.read_text())


def test_a_file_of_the_first_schema_is_brought_forward(tmp_path: Path) -> None:
    path, data = kept_flight(tmp_path)
    assert data["schema_version"] == 4
    del data["figures"]  # schema 1 did not say what the scales rest on
    path.write_text(json.dumps(data | {"schema_version": 1}))
    assert learned.prior_for(tmp_path, flight()).pack is not None
    learned.keep(tmp_path, flight(), flown(seconds=50).lessons(), 1.8e9 + 86400.0)
    kept = json.loads(path.read_text())
    assert (kept["schema_version"], len(kept["logbook"])) == (4, 2)
    assert kept["figures"]


def test_a_roll_back_reads_what_it_knows_and_keeps_the_rest_aside(tmp_path: Path) -> None:
    path, data = kept_flight(tmp_path)
    data["logbook"][0]["colour"] = "red"  # type: ignore[index]
    later = json.dumps(data | {"schema_version": 5, "swelling_mm": 0.3})
    path.write_text(later)
    assert learned.prior_for(tmp_path, flight()).pack is not None
    learned.keep(tmp_path, flight(), flown(seconds=50).lessons(), 1.8e9 + 86400.0)
    kept = learned.load_pack(tmp_path, "P07")
    assert kept is not None
    assert len(kept.logbook) == 2  # the later version's flight is not forgotten
    assert path.with_name("pack-P07.json.schema-5").read_text() == later


def test_an_aircraft_without_a_slope_starts_at_its_prior(tmp_path: Path) -> None:
    """Schema 2 knew five figures: they are taken, and the next flight ends with six."""
    kept_flight(tmp_path)
    path = learned.aircraft_path(tmp_path, "heron-1")
    data = json.loads(path.read_text())
    told = learned.prior_for(tmp_path, flight()).power
    assert told is not None
    assert told.log_mean.shape == (6,)
    assert told.slope == data["slope"]
    assert (len(data["log_mean"]), len(data["slope_cov"])) == (5, 6)  # five for older versions
    for name in ("slope", "slope_cov"):
        del data[name]
    path.write_text(json.dumps(data | {"schema_version": 2}))
    prior = learned.prior_for(tmp_path, flight())
    assert prior.power is not None
    np.testing.assert_array_equal(prior.power.log_mean, told.log_mean[:5])
    np.testing.assert_array_equal(prior.power.log_cov, told.log_cov[:5, :5])
    belief = flown(prior, 3).belief(3.0)
    assert belief is not None
    assert belief.power.log_mean[5] == 0.0
    assert math.sqrt(belief.power.log_cov[5, 5]) == pytest.approx(slope_sd(flight().aircraft))
    learned.keep(tmp_path, flight(), flown(prior).lessons(), 1.8e9 + 86400.0)
    assert len(json.loads(path.read_text())["slope_cov"]) == 6


def test_a_spoilt_slope_is_refused(tmp_path: Path) -> None:
    kept_flight(tmp_path)
    path = learned.aircraft_path(tmp_path, "heron-1")
    data = json.loads(path.read_text())
    for wrong in ({"slope_cov": [0.0] * 3}, {"slope": 1.2}, {"slope_cov": [0.0] * 5 + [-0.1]}):
        path.write_text(json.dumps(data | wrong))
        with pytest.raises(InputError, match="aircraft-heron-1"):
            learned.prior_for(tmp_path, flight())


def test_the_next_upgrade_finds_every_flight(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, _ = kept_flight(tmp_path)
    monkeypatch.setattr(learned, "SCHEMA", 4)
    monkeypatch.setitem(learned.MIGRATIONS, 3, lambda data: data)
    learned.keep(tmp_path, flight(), flown(seconds=50).lessons(), 1.8e9 + 86400.0)
    kept = json.loads(path.read_text())
    assert len(kept["logbook"]) == 2
    aircraft = learned.load_aircraft(tmp_path, "heron-1")
    assert aircraft is not None
    assert aircraft.flights == 2


def test_scales_on_other_figures_say_nothing(tmp_path: Path) -> None:
    kept_flight(tmp_path)
    craft = flight().aircraft
    measured_anew = replace(flight(), aircraft=replace(craft, cd0=1.1 * craft.cd0))
    prior = learned.prior_for(tmp_path, measured_anew)
    assert prior.power is None
    assert prior.pack is not None
    cell = replace(flight().pack.cell, r1_ohm=2.0 * flight().pack.cell.r1_ohm)
    other = replace(flight(), pack=replace(flight().pack, cell=cell))
    assert learned.prior_for(tmp_path, other).pack is None


@pytest.mark.parametrize("place", [0, 1, 2])
def test_a_prior_out_of_bounds_is_not_fed(tmp_path: Path, place: int) -> None:
    path, data = kept_flight(tmp_path)
    data["log_mean"][place] = 3.0  # type: ignore[index]
    path.write_text(json.dumps(data))
    with pytest.raises(InputError, match=r"pack-P07.json: the .* is 20"):
        learned.prior_for(tmp_path, flight())


def test_the_slow_relaxation_is_kept_and_may_be_missing(tmp_path: Path) -> None:
    """A file of before it was kept starts the next flight at its prior; spoilt, it is refused."""
    path, data = kept_flight(tmp_path)
    assert (len(data["log_mean"]), len(data["slow_cov"])) == (3, 4)  # type: ignore[arg-type]
    told = learned.prior_for(tmp_path, flight()).pack
    assert told is not None
    assert told.log_mean[3] == data["slow"]
    taught = pack.start(flight().pack, 0.0, 15.0, told)
    assert taught.p[pack.SLOW_SCALE, pack.SLOW_SCALE] < pack.SLOW_SD**2 + BETWEEN_SLOW**2
    path.write_text(json.dumps(data | {"slow_cov": [0.0, 0.0, 0.0, -0.1]}))
    with pytest.raises(InputError, match="covariance"):
        learned.prior_for(tmp_path, flight())
    for name in ("slow", "slow_cov"):
        del data[name]
    path.write_text(json.dumps(data | {"schema_version": 3}))
    told = learned.prior_for(tmp_path, flight()).pack
    assert told is not None
    assert len(told.log_mean) == 3
    assert pack.start(flight().pack, 0.0, 15.0, told).x[pack.SLOW_SCALE] == 0.0
