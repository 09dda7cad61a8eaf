"""The pack's own readings out of a recording, and the energy they integrate to."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from supervisor.core.belief import Array
from supervisor.core.events import Observation, PackReport
from supervisor.edge.decoder import Decoder
from supervisor.edge.frames import read_frame
from supervisor.edge.recorder import MAVLINK
from supervisor.edge.recording import Recording

NS_PER_S = 1e9
GAP_S = 30.0  # over a longer silence of the monitor nothing is integrated


@dataclass(frozen=True, slots=True)
class PackReadings:
    """Every report with voltage and current: time [s], pack [V], current [A], lowest cell [V]."""

    t_s: Array
    pack_v: Array
    current_a: Array
    lowest_cell_v: Array
    temperature_c: Array

    @property
    def power_w(self) -> Array:
        """Electrical power at the terminals [W]."""
        power: Array = self.pack_v * self.current_a
        return power

    def energy_wh(self) -> Array:
        """Energy delivered up to each report [Wh]: trapezoids over P = V I."""
        if len(self.t_s) == 0:
            return np.zeros(0)
        dt_s = np.diff(self.t_s)
        steps = 0.5 * (self.power_w[1:] + self.power_w[:-1]) * np.where(dt_s > GAP_S, 0.0, dt_s)
        return np.concatenate([[0.0], np.cumsum(steps)]) / 3600.0

    @property
    def total_wh(self) -> float:
        """All of it [Wh]."""
        energy = self.energy_wh()
        return float(energy[-1]) if len(energy) else 0.0

    @property
    def least_cell_v(self) -> float:
        """The lowest of all cells at any time [V]; NaN where cells are not told."""
        cells = self.lowest_cell_v[np.isfinite(self.lowest_cell_v)]
        return float(cells.min()) if len(cells) else float("nan")

    def at(self, t_s: Array) -> Array:
        """Energy delivered by ``t_s`` [Wh]."""
        if len(self.t_s) == 0:
            return np.zeros_like(t_s)
        result: Array = np.interp(t_s, self.t_s, self.energy_wh())
        return result


def observations(recording: Recording) -> Iterator[Observation]:
    """Everything the core would see, in order; times in seconds since the first frame."""
    decoder, first_ns = Decoder(), None
    for _, t_ns, data in recording.messages({MAVLINK}):
        frame = read_frame(data)
        if frame is None:
            continue
        first_ns = t_ns if first_ns is None else first_ns
        seen = decoder.decode(frame, (t_ns - first_ns) / NS_PER_S)
        if seen is not None:
            yield seen


def pack_readings(reports: list[PackReport]) -> PackReadings:
    """Those of ``reports`` that carry voltage and current."""
    rows = [
        (r.t_s, r.pack_v, r.current_a, min(r.cell_v, default=np.nan), r.temperature_c)
        for r in reports
        if r.pack_v == r.pack_v and r.current_a == r.current_a
    ]
    columns = np.array(rows, dtype=float).reshape(len(rows), 5).T
    return PackReadings(*columns)


def lowest_cell_v(recording: Recording) -> float:
    """Lowest cell voltage that the monitor ever reported [V]; NaN without cells."""
    seen = (o.cell_v for o in observations(recording) if isinstance(o, PackReport) and o.cell_v)
    return min((min(cells) for cells in seen), default=float("nan"))
