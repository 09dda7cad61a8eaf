"""A picture of one flight: height, wind, speed, power, voltage and charge over time."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np

from sim.state import AircraftState, Phase

matplotlib.use("Agg")
from matplotlib import pyplot as plt

SHADE = {
    Phase.LOITER: "#dfe9f5",
    Phase.HOVER_CLIMB: "#f6e3d3",
    Phase.HOVER_LANDING: "#f6e3d3",
    Phase.GROUND: "#ececec",
    Phase.LANDED: "#ececec",
}


def draw_flight(path: Path, title: str, series: Sequence[AircraftState]) -> None:
    """Draw ``series`` (about one state a second) into ``path``."""
    minutes = np.array([s.t_s for s in series]) / 60.0
    figure, axes = plt.subplots(6, 1, figsize=(11, 13), sharex=True, constrained_layout=True)
    figure.suptitle(title)
    for axis in axes:
        _shade(axis, series)
        axis.grid(alpha=0.3)
    _height(axes[0], minutes, series)
    _wind(axes[1], minutes, series)
    _speed(axes[2], minutes, series)
    _power(axes[3], minutes, series)
    _voltage(axes[4], minutes, series)
    _charge(axes[5], minutes, series)
    axes[-1].set_xlabel("minutes")
    figure.savefig(path, dpi=90)
    plt.close(figure)


def _shade(axis: Any, series: Sequence[AircraftState]) -> None:
    """Colour behind loiter, hover and ground; a line where the return begins."""
    start = 0
    for i in range(1, len(series) + 1):
        if i == len(series) or series[i].phase is not series[start].phase:
            colour = SHADE.get(series[start].phase)
            end = min(i, len(series) - 1)
            if colour:
                axis.axvspan(series[start].t_s / 60.0, series[end].t_s / 60.0, color=colour, lw=0)
            start = i
    turn = next((s.t_s for s in series if s.returning), None)
    if turn is not None:
        axis.axvline(turn / 60.0, color="black", lw=0.8, ls="--")


def _column(series: Sequence[AircraftState], name: str) -> Any:
    return np.array([getattr(s, name) for s in series])


def _height(axis: Any, minutes: Any, series: Sequence[AircraftState]) -> None:
    axis.plot(minutes, _column(series, "height_m"), color="tab:blue")
    axis.set_ylabel("height above home, m")


def _wind(axis: Any, minutes: Any, series: Sequence[AircraftState]) -> None:
    north, east = _column(series, "wind_n_mps"), _column(series, "wind_e_mps")
    axis.plot(minutes, np.hypot(north, east), color="tab:cyan", lw=0.6, label="speed, m/s")
    axis.legend(loc="best")
    axis.set_ylabel("wind, m/s")
    other = axis.twinx()
    other.plot(minutes, np.degrees(np.arctan2(-east, -north)) % 360.0, ".", ms=1, color="grey")
    other.set_ylim(0, 360)
    other.set_ylabel("from, degrees")


def _speed(axis: Any, minutes: Any, series: Sequence[AircraftState]) -> None:
    ground = np.hypot(_column(series, "vn_mps"), _column(series, "ve_mps"))
    axis.plot(minutes, ground, color="tab:green", lw=0.8, label="ground")
    axis.plot(minutes, _column(series, "cas_mps"), color="tab:olive", lw=0.8, label="calibrated")
    axis.legend(loc="best")
    axis.set_ylabel("speed, m/s")


def _power(axis: Any, minutes: Any, series: Sequence[AircraftState]) -> None:
    axis.plot(minutes, _column(series, "power_w"), color="tab:red", lw=0.8)
    axis.set_ylabel("power, W")
    axis.set_yscale("log")


def _voltage(axis: Any, minutes: Any, series: Sequence[AircraftState]) -> None:
    cells = np.array([s.cell_v for s in series])
    axis.plot(minutes, cells.max(axis=1), color="tab:purple", lw=0.6, label="highest cell")
    axis.plot(minutes, cells.min(axis=1), color="tab:red", lw=0.8, label="lowest cell")
    axis.legend(loc="best")
    axis.set_ylabel("cell, V")


def _charge(axis: Any, minutes: Any, series: Sequence[AircraftState]) -> None:
    axis.plot(minutes, 100.0 * _column(series, "soc"), color="tab:brown", label="charge, %")
    axis.plot(minutes, _column(series, "pack_temp_c"), color="tab:orange", label="pack, °C")
    axis.legend(loc="best")
    axis.set_ylabel("charge, temperature")
