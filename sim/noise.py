"""Errors as instruments have them: white, wandering, lagging, in steps."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping

import numpy as np

from sim.instruments import Range


class Wander:
    """First-order Gauss-Markov error: mean 0, given standard deviation and time constant."""

    __slots__ = ("_draw", "_sd", "_time_s", "value")

    def __init__(self, draw: Callable[[], float], sd: float, time_s: float) -> None:
        self._draw, self._sd, self._time_s = draw, sd, time_s
        self.value = sd * draw()

    def step(self, dt_s: float) -> None:
        """Advance by ``dt_s``; exact for any step: x' = a x + sd sqrt(1 - a^2) n, a = e^(-dt/T)."""
        a = math.exp(-dt_s / self._time_s)
        self.value = a * self.value + self._sd * math.sqrt(1.0 - a * a) * self._draw()


def normals(rng: np.random.Generator) -> Callable[[], float]:
    """Standard normal numbers one by one, drawn in blocks."""

    def stream() -> Iterator[float]:
        while True:
            yield from rng.standard_normal(1024).tolist()

    return stream().__next__


def draw_figures(
    ranges: Mapping[str, Range], rng: np.random.Generator, defaults: Mapping[str, Range]
) -> dict[str, float]:
    """One number from each range; one draw a key, so that a changed range moves no other."""
    merged = {**defaults, **ranges}
    return {
        key: low + (high - low) * float(share)
        for (key, (low, high)), share in zip(merged.items(), rng.random(len(merged)), strict=True)
    }


class Lag:
    """First-order lag of a reading: y <- y + (x - y)(1 - e^(-dt/T)), exact for a held input."""

    __slots__ = ("_time_s", "value")

    def __init__(self, time_s: float) -> None:
        self._time_s = time_s
        self.value = math.nan

    def step(self, value: float, dt_s: float) -> None:
        """Advance by ``dt_s`` toward ``value``; the first one is taken as it is."""
        if dt_s <= 0.0 or self._time_s <= 0.0 or self.value != self.value:
            self.value = value
        else:
            self.value += (value - self.value) * (1.0 - math.exp(-dt_s / self._time_s))


def stepped(value: float, step: float) -> float:
    """``value`` rounded to the nearest multiple of ``step``, as a converter gives it."""
    return round(value / step) * step if step > 0.0 else value
