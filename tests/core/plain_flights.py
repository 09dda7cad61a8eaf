"""Flights so plain that a navigation textbook can work them out.

No hover, no climb, no turn to speak of, a pack without losses and of constant voltage, one power at
all speeds: what is left is endurance, true airspeed and wind.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from supervisor.core.belief import Array, Belief
from supervisor.core.conclusions import Phase
from supervisor.core.events import Position
from supervisor.core.forecast.forecaster import Forecaster
from supervisor.core.forecast.members import Unforeseen
from supervisor.core.forecast.run import Run
from supervisor.core.geodesy import direct
from supervisor.core.paper.paper import paper_belief
from supervisor.core.plan import Flight, Waypoint
from supervisor.core.power import wing_w
from tests.core.flights import flight

KNOT_MPS = 1852.0 / 3600.0
HEIGHT_M = 100.0
AS_PLANNED = Unforeseen(0.0, 0.0)  # the landing takes its time, the airspeed is held


@dataclass(frozen=True, slots=True)
class SteadyWind:
    """The same wind everywhere and always, with or without doubt about it (one shift a member)."""

    north_mps: float
    east_mps: float
    sd_mps: float = 0.0

    def draw(
        self, rng: np.random.Generator, members: int, north_m: Array, *_: Array
    ) -> tuple[Array, Array]:
        shape = (members, len(north_m))
        shift = self.sd_mps * rng.standard_normal((2, members, 1))
        return (
            np.broadcast_to(self.north_mps + shift[0], shape).copy(),
            np.broadcast_to(self.east_mps + shift[1], shape).copy(),
        )

    def draw_air(
        self, rng: np.random.Generator, members: int, north_m: Array, *rest: Array
    ) -> tuple[Array, Array, Array]:
        return (*self.draw(rng, members, north_m, *rest), np.ones(members))

    def means(self, north_m: Array, *_: Array) -> Array:
        return np.tile([self.north_mps, self.east_mps], (len(north_m), 1))

    def mean_at(self, *_: float) -> tuple[float, float, float]:
        return self.north_mps, self.east_mps, self.sd_mps


def plain_flight(
    tas_mps: float, endurance_h: float, track_rad: float, length_m: float, power_w: float = 300.0
) -> Flight:
    """A straight route of ``length_m`` along ``track_rad``; the pack lasts ``endurance_h``."""
    base = flight()
    craft = replace(
        base.aircraft,
        cd0=1e-9,
        k=1e-12,
        avionics_w=power_w,
        hover_efficiency=1e9,
        transition_s=0.0,
        transition_height_m=HEIGHT_M,
        bank_rad=math.radians(89.0),
        cruise_mps=tas_mps,
    )
    assert float(np.asarray(wing_w(craft, craft.mass_kg, 1.2, tas_mps))) < 1e-2
    cell = replace(
        base.pack.cell,
        ocv_v=(3.6,) * len(base.pack.cell.charge_grid),
        r0_ohm=(1e-9,) * len(base.pack.cell.charge_grid),
        r1_ohm=1e-12,
        r2_ohm=1e-12,
    )
    amp_hours = power_w * endurance_h / (3.6 * base.pack.series)
    end = direct(base.home.lat_rad, base.home.lon_rad, track_rad, length_m)
    return replace(
        base,
        aircraft=craft,
        pack=replace(base.pack, cell=cell, capacity_ah=amp_hours),
        policy=replace(
            base.policy, final_reserve_wh=0.0, min_cell_v=0.0, reaction_s=0.0, contingency=0.0
        ),
        alternates=(),
        route=(Waypoint("end", *end, HEIGHT_M, tas_mps),),
        return_plan=replace(
            base.return_plan, height_m=HEIGHT_M, airspeed_mps=tas_mps, landing_hover_s=0.0
        ),
    )


def overhead_home(plan: Flight, wind: SteadyWind) -> Belief:
    """Passing over home at cruise, at the density of sea level so that TAS is CAS."""
    home = plan.home
    fix = Position(
        0.0, home.lat_rad, home.lon_rad, home.elevation_m + HEIGHT_M, HEIGHT_M, 0, 0, 0, 0
    )
    belief = replace(paper_belief(plan), phase=Phase.CRUISE, position=fix, mission_seq=1, wind=wind)
    # Density 1.225 at this height: pressure is standard, so the day must be colder than standard.
    return replace(belief, day_offset_k=_offset_for_sea_level_density(fix.alt_m))


def _offset_for_sea_level_density(alt_m: float) -> float:
    from supervisor.core.atmosphere import pressure_pa

    kelvin = pressure_pa(alt_m) / (287.05287 * 1.225)
    return kelvin - (288.15 - 0.0065 * alt_m)


def certain_maker(plan: Flight, points: int = 60) -> Forecaster:
    """A forecaster that adds no uncertainty of its own."""
    return Forecaster(
        plan, members=5, points=points, dtype=np.float64, explain=False,
        unforeseen=AS_PLANNED,
    )  # fmt: skip


def certain_run(plan: Flight, wind: SteadyWind, points: int = 60) -> Run:
    """The forecast's members without any uncertainty."""
    return certain_maker(plan, points).run(overhead_home(plan, wind))
