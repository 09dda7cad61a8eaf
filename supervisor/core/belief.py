"""The belief: what is thought to be true now, and how uncertain each part is.

Made by the estimators (``wind.py``, ``power_scales.py``, ``pack.py``), read by the forecast, which
draws its members from it. Everything is a frozen value; an update makes a new one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from supervisor.core.conclusions import Phase
from supervisor.core.draws import correlated, gaussian, mirrored
from supervisor.core.events import Position

Array = NDArray[np.float64]


class WindDraws(Protocol):
    """A wind of which samples can be had."""

    def draw(
        self,
        rng: np.random.Generator,
        members: int,
        north_m: Array,
        east_m: Array,
        height_m: Array,
        ahead_s: Array,
    ) -> tuple[Array, Array]:
        """Jointly consistent samples of the wind (blowing toward) at Q points of space and time.

        Arguments are (Q,) arrays on the local map; ``ahead_s`` is counted from now. Returns north
        and east components [m/s], each (members, Q), with all uncertainty: what is not known
        about the wind there now, and how it may change until then.
        """
        ...


class WindBelief(WindDraws, Protocol):
    """The wind field as believed: near or far, now or later."""

    def mean_at(
        self, north_m: float, east_m: float, height_m: float, ahead_s: float
    ) -> tuple[float, float, float]:
        """(north, east, 1-sigma a component) [m/s] expected at one point."""
        ...

    def means(self, north_m: Array, east_m: Array, height_m: Array, ahead_s: Array) -> Array:
        """(Q, 2) north and east [m/s] expected at Q points; arguments as in :meth:`draw`."""
        ...

    def draw_air(
        self,
        rng: np.random.Generator,
        members: int,
        north_m: Array,
        east_m: Array,
        height_m: Array,
        ahead_s: Array,
        cas_mps: float,
    ) -> tuple[Array, Array, Array]:
        """As :meth:`draw`, and with each member its own true over indicated airspeed (members,).

        The two belong together: a pitot that reads low looks like a wind from the nose on the way
        out, and takes ground speed away twice on the way home.
        """
        ...


@dataclass(frozen=True, slots=True)
class PowerMembers:
    """Samples of what the power model is scaled by; each array is (members,)."""

    hover: Array
    climb: Array
    cruise: Array
    descent: Array
    avionics_w: Array
    slope: Array
    mass_kg: Array


@dataclass(frozen=True, slots=True)
class PowerBelief:
    """Scales on the power model, as log-normals, and the mass.

    ``log_mean`` and ``log_cov``: hover, climb, cruise, descent, avionics, and the slope of the
    cruise's over airspeed (core/cruise_scale.py): (6,), (6, 6).
    ``gust_w_sd``: spread of cruise power over minutes that no scale explains, seen this flight.
    """

    log_mean: Array
    log_cov: Array
    avionics_w: float
    mass_kg: float
    mass_sd_kg: float
    gust_w_sd: float = 0.0

    def draw(self, rng: np.random.Generator, members: int) -> PowerMembers:
        """``members`` samples."""
        # The slope has a generator of its own: all other draws are what they are without it.
        normals = [mirrored(rng, members, 5), mirrored(rng.spawn(1)[0], members)]
        logs = correlated(np.concatenate(normals, axis=1), self.log_mean, self.log_cov)
        scales = np.exp(logs[:, :5])
        mass = self.mass_kg + self.mass_sd_kg * mirrored(rng, members)[:, 0]
        return PowerMembers(
            hover=scales[:, 0],
            climb=scales[:, 1],
            cruise=scales[:, 2],
            descent=scales[:, 3],
            avionics_w=self.avionics_w * scales[:, 4],
            slope=logs[:, 5],
            mass_kg=mass,
        )


@dataclass(frozen=True, slots=True)
class PackMembers:
    """Samples of the pack, per mean cell; each array is (members,).

    ``slow``: what the slow relaxation's resistance is over the table's, beyond ``resistance``.
    ``weak_v``: how far the weakest cell stands below what its table says at rest (the table's own
    error, either way), and ``weak_r``: its resistance over the mean cell's; ``weak_lost``: the
    fraction by which its capacity is smaller: z_weak = 1 - (1 - z) / (1 - lost), since all cells
    were full together and give the same ampere-hours. ``current_gain``: true current over what the
    monitor reads; powers learned from its readings are true powers over it.
    """

    charge: Array
    v1_v: Array
    v2_v: Array
    resistance: Array
    slow: Array
    capacity_ah: Array
    temperature_c: Array
    weak_v: Array
    weak_r: Array
    weak_lost: Array
    current_gain: Array


@dataclass(frozen=True, slots=True)
class PackBelief:
    """Gaussian over (charge, v1, v2, log resistance scale, log capacity scale, log current gain,
    log slow scale).

    ``mean`` (7,), ``cov`` (7, 7), of the mean cell. ``capacity_ah`` is what scale 1 means, at the
    pack's temperature. The resistance scale multiplies R0, R1 and R2, each times the cell's own
    temperature factor, and the slow scale R2 once more. ``weak_capacity``: by what fraction the
    smallest cell's capacity is smaller than the mean cell's.
    """

    mean: Array
    cov: Array
    capacity_ah: float
    temperature_c: float
    temperature_sd_c: float
    weak_v: float
    weak_v_sd: float
    weak_r: float
    weak_r_sd: float
    weak_capacity: float = 0.0
    weak_capacity_sd: float = 0.0

    def draw(self, rng: np.random.Generator, members: int) -> PackMembers:
        """``members`` samples, charge held within 0..1."""
        x = gaussian(rng, self.mean, self.cov, members)
        odd = mirrored(rng, members, 4).T
        weak = self.weak_v + self.weak_v_sd * odd[0]
        weak_r = 1.0 + np.abs(self.weak_r - 1.0 + self.weak_r_sd * odd[1])
        heat = self.temperature_c + self.temperature_sd_c * odd[2]
        lost = np.abs(self.weak_capacity + self.weak_capacity_sd * odd[3])
        return PackMembers(
            charge=np.clip(x[:, 0], 0.0, 1.0),
            v1_v=x[:, 1],
            v2_v=x[:, 2],
            resistance=np.exp(x[:, 3]),
            slow=np.exp(x[:, 6]),
            capacity_ah=self.capacity_ah * np.exp(x[:, 4]),
            temperature_c=heat,
            weak_v=weak,
            weak_r=weak_r,
            weak_lost=np.minimum(lost, 0.5),
            current_gain=np.exp(x[:, 5]),
        )


@dataclass(frozen=True, slots=True)
class FlownHabits:
    """How this autopilot really flies, seen in this flight; NaN where not seen yet."""

    cruise_cas_mps: float
    climb_mps: float
    descent_mps: float
    landing_hover_s: float


@dataclass(frozen=True, slots=True)
class Belief:
    """All of it at one moment. ``north_m``/``east_m`` on the local map around home."""

    t_s: float
    phase: Phase
    airborne_s: float
    position: Position
    north_m: float
    east_m: float
    mission_seq: int
    cas_mps: float
    day_offset_k: float
    wind: WindBelief
    power: PowerBelief
    pack: PackBelief
    habits: FlownHabits
    homeward: bool = False  # already on its way home: the plan ahead no longer counts
    doubts: tuple[str, ...] = ()  # what is stale, frozen, contradictory; widens the forecast
    voltage_refused: bool = False  # the monitor's cannot be this pack's: current alone is counted
