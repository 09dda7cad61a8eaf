"""Which winds to ask the belief for, and how to spread the few answers over the many legs.

A joint draw at every piece of every leg would cost more than all the rest. The wind is therefore
drawn at a few nodes of space and time: along the plan, and for each site on a small net of
(turn-back point) x (share of the way home); between nodes it is interpolated linearly. What is
interpolated loses a little spread, as any average over a leg does.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from supervisor.core.belief import Array, WindBelief, WindDraws
from supervisor.core.forecast.legs import Point
from supervisor.core.forecast.way_geometry import Ways

Floats = NDArray[np.floating[Any]]

PLAN_NODES = 8
ANCHORS = 5  # turn-back points with nodes of their own
SHARES = np.array([1 / 6, 1 / 2, 5 / 6])  # where on the way home the nodes stand


@dataclass(slots=True)
class Query:
    """Nodes collected so far."""

    north: list[Array] = field(default_factory=list)
    east: list[Array] = field(default_factory=list)
    height: list[Array] = field(default_factory=list)
    ahead: list[Array] = field(default_factory=list)
    count: int = 0

    def add(self, north: Array, east: Array, height: Array, ahead: Array) -> slice:
        """Add nodes; returns the columns where their draws will stand."""
        self.north.append(north)
        self.east.append(east)
        self.height.append(height)
        self.ahead.append(ahead)
        self.count += len(north)
        return slice(self.count - len(north), self.count)

    def draw(self, wind: WindDraws, rng: np.random.Generator, members: int) -> tuple[Array, Array]:
        """All nodes at once, so that they are consistent with each other."""
        n, e = np.concatenate(self.north), np.concatenate(self.east)
        h, ahead = np.concatenate(self.height), np.concatenate(self.ahead)
        return wind.draw(rng, members, n, e, h, ahead)

    def draw_air(
        self, wind: WindBelief, rng: np.random.Generator, members: int, cas_mps: float
    ) -> tuple[tuple[Array, Array], Array]:
        """The same, and each member's true over indicated airspeed."""
        n, e = np.concatenate(self.north), np.concatenate(self.east)
        h, ahead = np.concatenate(self.height), np.concatenate(self.ahead)
        north, east, factor = wind.draw_air(rng, members, n, e, h, ahead, cas_mps)
        return (north, east), factor


def expected_at(
    wind: WindBelief, north_m: float, east_m: float, height_m: float, ahead_s: float = 0.0
) -> Point:
    """(north, east) [m/s] expected at one point: ``mean_at`` without sigma, its dearest part."""
    one = (np.array([v]) for v in (north_m, east_m, height_m, ahead_s))
    north, east = wind.means(*one)[0].tolist()
    return north, east


@dataclass(frozen=True, slots=True)
class Spread:
    """Columns of the draw, and the weights that carry them to legs: (nodes, legs)."""

    columns: NDArray[np.intp]
    weights: Array

    @classmethod
    def of(cls, first: int, weights: Array) -> Spread:
        """Weights of all nodes from column ``first`` on; nodes that carry nothing are left out."""
        used = np.flatnonzero(weights.any(axis=1))
        return cls(first + used, weights[used])

    def along_across(
        self, wind: tuple[Floats, Floats], north: Floats, east: Floats, dtype: Any
    ) -> tuple[Floats, Floats]:
        """(members, legs) tail and cross wind [m/s] on legs with unit vectors (north, east)."""
        wn = wind[0][:, self.columns].astype(dtype, copy=False)
        we = wind[1][:, self.columns].astype(dtype, copy=False)
        by_n, by_e = (self.weights * north).astype(dtype), (self.weights * east).astype(dtype)
        along, across = wn @ by_n, we @ by_n
        along += we @ by_e
        across -= wn @ by_e
        return along, across


def hat_weights(nodes: Array, at: Array) -> Array:
    """Linear interpolation as a matrix (nodes, at); constant beyond the ends."""
    if len(nodes) == 1:
        return np.ones((1, len(at)))
    right = np.minimum(np.maximum(np.searchsorted(nodes, at), 1), len(nodes) - 1)
    span = np.maximum(nodes[right] - nodes[right - 1], 1e-9)
    part = np.minimum(np.maximum((at - nodes[right - 1]) / span, 0.0), 1.0)
    weights = np.zeros((len(nodes), len(at)))
    columns = np.arange(len(at))
    weights[right - 1, columns] += 1.0 - part
    weights[right, columns] += part
    return weights


def ask_plan(query: Query, mid_n: Array, mid_e: Array, height: Array, ahead_s: Array) -> Spread:
    """Nodes along the plan, given the middles of its stretches."""
    pick = _even(len(ahead_s), PLAN_NODES)
    columns = query.add(mid_n[pick], mid_e[pick], height[pick], ahead_s[pick])
    return Spread.of(columns.start, hat_weights(ahead_s[pick], ahead_s))


def ask_ways(
    query: Query, ways: Ways, leave_s: Array, ground_mps: Array, height_m: float
) -> list[Spread]:
    """Nodes on the ways to one site; one :class:`Spread` a piece.

    ``leave_s`` (points,): expected time at each turn-back point; ``ground_mps`` (points,): expected
    ground speed on the way.
    """
    points, (pieces, _) = len(leave_s), ways.length_m.shape
    anchors = _even(points, ANCHORS)
    at = anchors[:, None]
    piece = np.abs(ways.share[:, at] - SHARES).argmin(axis=0)
    seconds = SHARES * (ways.total_m[anchors] / ground_mps[anchors])[:, None]
    columns = query.add(
        ways.mid_n_m[piece, at].ravel(),
        ways.mid_e_m[piece, at].ravel(),
        np.full(piece.size, height_m),
        (leave_s[at] + seconds).ravel(),
    )
    by_anchor = _between_anchors(points)[None, :, None, :]
    by_share = hat_weights(SHARES, ways.share.ravel()).reshape(-1, pieces, points)
    weights = (by_anchor * by_share.transpose(1, 0, 2)[:, None]).reshape(pieces, -1, points)
    return [Spread.of(columns.start, piece) for piece in weights]


@lru_cache(maxsize=256)
def _even(count: int, wanted: int) -> NDArray[np.intp]:
    """``wanted`` of ``count`` indices, evenly spread, first and last among them."""
    return np.unique(np.linspace(0, count - 1, wanted).round().astype(np.intp))


@lru_cache(maxsize=256)
def _between_anchors(points: int) -> Array:
    """Weights of the anchors at every turn-back point."""
    return hat_weights(_even(points, ANCHORS).astype(float), np.arange(points, dtype=float))
