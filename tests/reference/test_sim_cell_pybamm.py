"""The simulator's pack against an electrochemical model: an LG M50 under hover, cruise, hover.

Reference: Doyle-Fuller-Newman model with the parameters of Chen et al., J. Electrochem. Soc. 167
(2020) 080534, lumped heat, solved by PyBaMM 26.10. Its voltages stand in
``lg_m50_hover_cruise_hover.csv`` beside this file, so that the check runs without PyBaMM; where
PyBaMM is installed (extra ``cells``) the file itself is checked. The resistances in
``sim/cells.py`` were fitted to another load (pulses, see there), never to this one. Aim: 50 mV a
cell, 3 % of energy.
"""

from __future__ import annotations

import csv
from pathlib import Path
from random import Random

import numpy as np
import pytest

from sim.cells import NMC_21700_5AH
from sim.pack import Pack, PackBuild

FILE = Path(__file__).with_name("lg_m50_hover_cruise_hover.csv")
CAPACITY_AH = 5.1532  # between 2.5 and 4.2 V with the published stoichiometries
HOVER_W, CRUISE_W = 30.0, 7.5  # per cell: 1440 W and 360 W of a pack of 48
PROFILE = ((HOVER_W, 60), (CRUISE_W, 7200), (HOVER_W, 60))
ENDS_S = 7320.0
# Delivered energy from full to 2.5 V at 7.5 W, 20 degC, same model [Wh].
FULL_DISCHARGE_WH = 18.31


def reference(temperature_c: float) -> tuple[np.ndarray, np.ndarray]:
    """(time [s], voltage [V]) of the file."""
    with FILE.open(encoding="utf-8") as file:
        rows = [
            (float(row["t_s"]), float(row["voltage_v"]))
            for row in csv.DictReader(line for line in file if not line.startswith("#"))
            if float(row["temperature_c"]) == temperature_c
        ]
    time, voltage = np.array(rows).T
    return time, voltage


def _solved(temperature_c: float) -> tuple[np.ndarray, np.ndarray]:
    """(time [s], voltage [V]) of the electrochemical model, solved now."""
    pybamm = pytest.importorskip("pybamm")
    values = pybamm.ParameterValues("Chen2020")
    values["Ambient temperature [K]"] = values["Initial temperature [K]"] = 273.15 + temperature_c
    steps = [f"Discharge at {watts} W for {seconds} seconds" for watts, seconds in PROFILE]
    solution = pybamm.Simulation(
        pybamm.lithium_ion.DFN({"thermal": "lumped"}),
        experiment=pybamm.Experiment(steps, period="2 seconds"),
        parameter_values=values,
    ).solve(initial_soc=1.0)
    time = solution["Time [s]"].entries
    assert time[-1] == pytest.approx(ENDS_S)  # solve() does not raise when it gives up early
    return time, solution["Terminal voltage [V]"].entries


def _cell(temperature_c: float) -> Pack:
    """One cell of the simulator's pack, cooled as the reference: 10 W/(m2 K) over 0.00531 m2."""
    build = PackBuild(
        NMC_21700_5AH, 1, 1, CAPACITY_AH, 1.0, 0.0, 0.0, 0.0,
        cooling_wpk=0.0531, case_jpk=0.0, wiring_ohm=0.0,
    )  # fmt: skip
    return Pack(build, 1.0, temperature_c, Random(1))


def _steady(time: np.ndarray) -> np.ndarray:
    """Away from the instants at which the load changes, where time stamps decide."""
    return (time > 3.0) & (np.abs(time - 60.0) > 3.0) & (np.abs(time - 7260.0) > 3.0)


@pytest.mark.parametrize("temperature_c", [5.0, 20.0, 35.0])
def test_hover_cruise_hover(temperature_c: float) -> None:
    pack, volts = _cell(temperature_c), [4.2]
    for watts, seconds in PROFILE:
        for _ in range(seconds):
            pack.step(watts, 1.0, temperature_c, 0.0)
            volts.append(pack.voltage_v)
    time, reference_v = reference(temperature_c)
    each_s = np.arange(ENDS_S + 1.0)
    error_v = (np.array(volts) - np.interp(each_s, time, reference_v))[_steady(each_s)]
    largest_mv, rms_mv = 1e3 * np.abs(error_v).max(), 1e3 * np.sqrt((error_v**2).mean())
    # The power is given, so energy is judged by the charge it took.
    power_w = np.where((time <= 60.0) | (time > 7260.0), HOVER_W, CRUISE_W)[1:]
    middle_v = 0.5 * (reference_v[1:] + reference_v[:-1])
    used_ah = (np.diff(time) * power_w / middle_v).sum() / 3600.0
    charge_error = (1.0 - pack.soc) * CAPACITY_AH / used_ah - 1.0
    print(
        f"{temperature_c:.0f} degC: voltage within {largest_mv:.0f} mV, {rms_mv:.0f} mV rms; "
        f"charge for the same energy {100.0 * charge_error:+.2f} %"
    )
    assert largest_mv < 50.0
    assert rms_mv < 20.0
    assert abs(charge_error) < 0.01


def test_energy_until_the_cut_off() -> None:
    """Delivered energy from full to 2.5 V at cruise power, 20 degC: within 3 %."""
    pack, seconds = _cell(20.0), 0
    while pack.lowest_cell_v > 2.5:
        pack.step(CRUISE_W, 1.0, 20.0, 0.0)
        seconds += 1
    delivered_wh = CRUISE_W * seconds / 3600.0
    error = delivered_wh / FULL_DISCHARGE_WH - 1.0
    print(f"full to 2.5 V at 20 degC: energy {100.0 * error:+.2f} %")
    assert abs(error) < 0.03


@pytest.mark.parametrize("temperature_c", [5.0, 20.0, 35.0])
def test_the_reference_file_is_what_pybamm_says(temperature_c: float) -> None:
    solved_t, solved_v = _solved(temperature_c)
    time, reference_v = reference(temperature_c)
    error_v = np.interp(time, solved_t, solved_v) - reference_v
    assert np.abs(error_v[_steady(time)]).max() < 0.003
