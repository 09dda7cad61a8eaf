"""The pack filter on an electrochemical model's voltages, beside another library's filter.

Telemetry: PyBaMM's Doyle-Fuller-Newman model of the LG M50 (Chen et al. 2020) in hover, cruise,
hover, cruise to empty at 20 and 5 degC, with noise and offsets of a pack monitor. Beside ours runs
progpy's electrochemistry model under its own unscented filter, as it comes, on the same input, its
current scaled to its cell's size. Both heavy packages are test extras; a flight is solved once for
the module.

The cell is no stranger to ours: our table has the open-circuit voltage of the same parameter set,
and resistances fitted to the same model under another load (cells.toml). With tables of other
classes, scaled to its size, the same eight flights come out at 4.2 2.5 2.4 (nmc-18650-3ah) and 5.8
3.0 2.6 % of nameplate (nmc-21700-4ah-power), 1.6 and 1.3 of the stated sigma at 75 %, too low on
average; a greater error of the table's voltage (30 or 40 mV) makes that no better, and the energy
worse. progpy's cell is another one, too. It counts charge and its voltage hardly corrects it, so
this is a filter beside a counter.

Judged: open-circuit energy left at 75, 50 and 25 % true charge. Once with everything told as it is
but for a gain of 1 %; and over flights in which what was told before is off as it usually is: a
charger that stopped early, a capacity from the label, a monitor's gain.
"""

from __future__ import annotations

import functools
import math
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np
import pytest

from supervisor.celltable import built_in
from supervisor.core import cells
from supervisor.core.estimate import pack
from supervisor.core.estimate.prior import PackPrior, next_pack
from supervisor.core.plan import Pack
from tests.reference.monitored import samples

pybamm = pytest.importorskip("pybamm")
pytestmark = pytest.mark.slow

CELL = built_in()["nmc-21700-5ah"]
TRUE_AH = 5.153  # of the parameter set, between the stoichiometries of 2.5 and 4.2 V
PACK = Pack("m50", CELL, 1, 1, TRUE_AH, 1.0, 1.0, 20.0)
HOVER_W, CRUISE_W = 32.0, 7.6
LOOKS = (0.75, 0.50, 0.25)


@dataclass(frozen=True)
class Telemetry:
    """What a monitor tells each second, and the truth."""

    t_s: np.ndarray
    volts: np.ndarray
    amps: np.ndarray
    celsius: np.ndarray
    charge: np.ndarray


@functools.cache
def solve(ambient_c: float, full: float) -> Telemetry:
    """The flight from charge ``full`` of the cell, as it is: nobody has told of it yet."""
    values = pybamm.ParameterValues("Chen2020")
    kelvin = 273.15 + ambient_c
    values.update({"Ambient temperature [K]": kelvin, "Initial temperature [K]": kelvin})
    hover = f"Discharge at {HOVER_W} W for 40 seconds or until 2.5 V"
    steps = [
        "Rest for 30 seconds",
        hover,
        f"Discharge at {CRUISE_W} W for 50 minutes or until 2.5 V",
        hover,
        f"Discharge at {CRUISE_W} W for 90 minutes or until 2.6 V",
    ]
    run = pybamm.Simulation(
        pybamm.lithium_ion.DFN({"thermal": "lumped"}),
        parameter_values=values,
        experiment=pybamm.Experiment(steps, period="1 second"),
    ).solve(initial_soc=full)
    t = run["Time [s]"].entries
    keep = np.r_[True, np.diff(t) > 1e-6]
    charge = full - run["Discharge capacity [A.h]"].entries[keep] / TRUE_AH
    assert charge[-1] < 0.1, "the solver stopped early"
    warm = run["Volume-averaged cell temperature [C]"].entries[keep]
    volts, amps = run["Voltage [V]"].entries[keep], run["Current [A]"].entries[keep]
    return Telemetry(t[keep], volts, amps, warm, charge)


def make(ambient_c: float, seed: int, full: float = 1.0, gain: float = 1.01) -> Telemetry:
    """What a monitor makes of it: 3 mV too much, and currents off by ``gain``."""
    true, rng = solve(ambient_c, full), np.random.default_rng(seed)
    noise_v, noise_a = rng.normal(0.0, 0.003, len(true.t_s)), rng.normal(0.0, 0.03, len(true.t_s))
    return replace(true, volts=true.volts + 0.003 + noise_v, amps=true.amps * gain + noise_a)


@pytest.fixture(scope="module", params=[20.0, 5.0], ids=["20C", "5C"])
def telemetry(request: pytest.FixtureRequest) -> Telemetry:
    return make(float(request.param), 1)


def energy_wh(charge: float, capacity_ah: float) -> float:
    return float(cells.pack_energy_wh(PACK, charge, capacity_ah))


class Ours(NamedTuple):
    """Error and stated sigma of the energy left at each look, seconds an update; the lessons."""

    errors: dict[float, float]
    sigmas: dict[float, float]
    update_s: float
    learned: PackPrior


def ours(told: Telemetry, ah: float = TRUE_AH, prior: PackPrior | None = None) -> Ours:
    """Our filter on this flight. ``ah``: the capacity that it is told."""
    spec = Pack("m50", CELL, 1, 1, ah, 1.0, 1.0, float(told.celsius[0]))
    curves, air_c = pack.Curves(CELL), float(told.celsius[0])
    state = pack.start(spec, float(told.t_s[0]), air_c, prior)
    errors: dict[float, float] = {}
    sigmas: dict[float, float] = {}
    spent = []
    for k, sample in enumerate(samples(told.t_s, told.volts, told.amps), 1):
        start = time.perf_counter()
        state = pack.observe(state, spec, curves, sample, air_c)
        spent.append(time.perf_counter() - start)
        for look in LOOKS:
            if look not in errors and told.charge[k] <= look:
                now = pack.weighed(state)
                x = np.random.default_rng(2).multivariate_normal(now.x, now.p, 400)
                some = cells.pack_energy_wh(
                    spec, np.clip(x[:, 0], 0, 1), ah * np.exp(x[:, pack.CAPACITY])
                )
                errors[look] = float(np.median(some)) - energy_wh(float(told.charge[k]), TRUE_AH)
                sigmas[look] = float(np.std(some))
    return Ours(errors, sigmas, float(np.median(spent)), pack.posterior(state))


def others(
    told: Telemetry, ah: float = TRUE_AH, every: int = 2
) -> tuple[dict[float, float], float]:
    """The same from progpy; its charge is given the told capacity and our energy curve.

    The told capacity is from full to empty at rest, so it stands for all of progpy's mobile charge,
    by which its state of charge is counted. What it gives at 1 A down to 3.0 V is 3.6 % less:
    scaled by that, it would read 2.7 % too much charge when a quarter is left, by our doing.
    """
    progpy_models = pytest.importorskip("progpy.models")
    estimators = pytest.importorskip("progpy.state_estimators")
    model = progpy_models.BatteryElectroChemEOD()
    scale = model.parameters["qMobile"] / 3600.0 / ah
    first = model.initialize()
    other = estimators.UnscentedKalmanFilter(model, first)
    errors: dict[float, float] = {}
    spent = []
    for k in range(0, len(told.t_s), every):
        current = model.InputContainer({"i": float(told.amps[k]) * scale})
        seen = model.OutputContainer({"t": float(told.celsius[k]), "v": float(told.volts[k])})
        start = time.perf_counter()
        try:
            other.estimate(float(told.t_s[k]) + 1e-3, current, seen)
        except (np.linalg.LinAlgError, ValueError):  # its covariance lost its root: it stops there
            break
        spent.append(time.perf_counter() - start)
        for look in LOOKS:
            if look not in errors and told.charge[k] <= look:
                charge = float(model.event_state(other.x.mean)["EOD"])
                errors[look] = energy_wh(charge, ah) - energy_wh(float(told.charge[k]), TRUE_AH)
    return errors, float(np.median(spent))


def test_the_energy_left_on_an_electrochemical_cell(telemetry: Telemetry) -> None:
    """Within 3 % of nameplate at 75, 50 and 25 %, and within two of its own sigmas."""
    errors, sigmas, seconds, _ = ours(telemetry)
    print({k: (round(100 * e / PACK.nameplate_wh, 2), round(100 * sigmas[k] / PACK.nameplate_wh, 2))
           for k, e in errors.items()}, f"{1e6 * seconds:.0f} us")  # fmt: skip
    for look, error in errors.items():
        assert abs(error) < 0.03 * PACK.nameplate_wh, look
        assert abs(error) < 2.0 * sigmas[look], look


def test_beside_another_librarys_filter(telemetry: Telemetry) -> None:
    """Twenty times its speed. Told everything but the gain, it errs by that alone.

    Measured (20 degC; 5 degC), % of nameplate at 75, 50, 25 %: ours -2.6 -1.6 -0.9; -2.8 -1.9 -1.2,
    68 and 64 us an update; progpy -0.3 -0.5 -0.7; -0.3 -0.5 -0.7, 8 to 28 ms, on a busy machine. A
    counter that is told the truth is hard to beat, and here ours does not: of its -2.6 at 75 % -0.9
    is the fade it expects (``LOST_SINCE``) and -1.7 (at 5 degC -2.3) what the cell's voltage is not
    as the table's, above all after the first hover, 32 mV less, which looks like less charge. The
    other's error is held against the gain's: a counter scaled wrongly would flatter ours.
    """
    my_s = ours(telemetry).update_s
    theirs, their_s = others(telemetry)
    share = {k: round(100 * v / PACK.nameplate_wh, 2) for k, v in theirs.items()}
    print(f"progpy {share} % of nameplate, {1e6 * their_s:.0f} us an update")
    assert their_s > 20.0 * my_s
    for look in LOOKS:
        by_gain = energy_wh(1.0 - 1.01 * (1.0 - look), TRUE_AH) - energy_wh(look, TRUE_AH)
        assert theirs[look] == pytest.approx(by_gain, abs=0.005 * PACK.nameplate_wh), look


class Doubt(NamedTuple):
    """What is off in one flight: true charge where full is told, capacity told, monitor's gain."""

    ambient_c: float
    full: float
    told: float
    gain: float


# Half of all combinations of two levels of four doubts, each level as often with each other (a
# fractional factorial design; G. Box, J. Hunter, Technometrics 3, 1961): 3 % of capacity and 1.5 %
# of gain are what flight files and monitors are off by (common practice, no source), and a charger
# that stops at 4.15 V leaves 3 to 4 % out.
DOUBTS = [
    Doubt((20.0, 5.0)[a], (1.0, 0.965)[b], (0.97, 1.03)[c], (0.985, 1.015)[a ^ b ^ c])
    for a in (0, 1) for b in (0, 1) for c in (0, 1)
]  # fmt: skip


def test_beside_it_where_what_was_told_is_off() -> None:
    """Less than the other's error (rms over eight flights), and half of it where landings are.

    Measured, % of nameplate at 75, 50, 25 % and of all three: ours 3.1 2.4 1.6, 2.5; progpy 4.0 3.9
    3.8, 3.9, as a bare counter. Half of it, over all three, would be 2.0: not reached in a pack's
    first flight, and not to be had from that prior (from the third it is: below). With voltages of
    our own table, so with nothing wrong in the model, ours errs by 2.6 2.1 1.5, 2.1. Who knew the
    charge at each look, but of the capacity only the prior, would err by 2.3 1.5 0.7: 3 % of
    capacity is 2.2 % of the nameplate at 75 %, and the gain, unknown too, hides it from the ampere-
    hours.

    What the model lets it know the filter does know, measured with the prior as told alone. A sum
    of Gaussian filters over the charge at the start, which takes the pile-up at full as it is, errs
    by 3.1 2.6 1.6, 2.5 here, lies 0.3, 0.2 and 0.1 of a sigma (rms) from that, and states the same
    sigma to 1 %. Over 24 packs drawn from the filter's own model and prior it errs by 2.07 in all,
    the filter by 2.13.
    """
    mine = by_look(ours(told, d.told * TRUE_AH).errors for d, told in doubtful())
    theirs = errors_of_theirs()
    allowed = {0.75: 0.85, 0.50: 0.7, 0.25: 0.5}
    for look in LOOKS:
        own, other_rms = rms(mine[look]), rms(theirs[look])
        print(f"{look:.2f}: ours {own:.2f}, progpy {other_rms:.2f} % of nameplate, rms")
        assert own < allowed[look] * other_rms, look
    own, other_rms = (rms([e for k in LOOKS for e in of[k]]) for of in (mine, theirs))
    print(f"all: ours {own:.2f}, progpy {other_rms:.2f} % of nameplate, rms")
    assert own < 0.7 * other_rms


def test_half_of_it_on_a_pack_that_was_flown_twice_before() -> None:
    """What the doubts of a pack are, its flights teach: the next starts from what they taught.

    Two flights down to a quarter, one from full and one from less, then the same eight. Measured,
    % of nameplate at 75, 50, 25 % and of all three: ours 2.2 1.6 1.0, 1.6; progpy 4.0 3.9 3.8, 3.9.
    """
    mine = by_look(
        ours(told, d.told * TRUE_AH, taught(d, seed)).errors
        for seed, (d, told) in enumerate(doubtful())
    )
    own, other = (rms([e for k in LOOKS for e in of[k]]) for of in (mine, errors_of_theirs()))
    each = " ".join(f"{rms(mine[look]):.2f}" for look in LOOKS)
    print(f"flown before: ours {each}, {own:.2f}, progpy {other:.2f} % of nameplate, rms")
    assert own < 0.5 * other


def taught(doubt: Doubt, seed: int) -> PackPrior | None:
    """What two flights of the same pack and monitor leave to the next."""
    prior: PackPrior | None = None
    for number, full in enumerate((1.0, 0.965), 1):
        told = until(make(20.0, seed + 100 * number, full, doubt.gain), 0.25)
        prior = next_pack(ours(told, doubt.told * TRUE_AH, prior).learned)
    return prior


def until(told: Telemetry, charge: float) -> Telemetry:
    """The flight as far as to this charge."""
    kept = told.charge >= charge
    return Telemetry(*(getattr(told, each.name)[kept] for each in fields(told)))


def doubtful() -> Iterator[tuple[Doubt, Telemetry]]:
    """The eight flights, as their monitors tell them."""
    for seed, d in enumerate(DOUBTS):
        yield d, make(d.ambient_c, seed, d.full, d.gain)


@functools.cache
def errors_of_theirs() -> dict[float, list[float]]:
    """Progpy's on the eight, flown before or not: it takes nothing from one flight to the next."""
    return by_look(others(told, d.told * TRUE_AH, every=4)[0] for d, told in doubtful())


def by_look(flights: Iterable[dict[float, float]]) -> dict[float, list[float]]:
    """Errors at each look, % of nameplate; NaN where a filter had stopped."""
    found = list(flights)
    return {k: [100.0 * e.get(k, math.nan) / PACK.nameplate_wh for e in found] for k in LOOKS}


def rms(errors: list[float]) -> float:
    """Root mean square; a filter that stopped early has no error, and no right to be compared."""
    assert not np.isnan(errors).any()
    return float(np.sqrt(np.mean(np.square(errors))))
