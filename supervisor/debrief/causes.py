"""Where the difference between plan and flight came from, block by block, adding up exactly.

The flown energy is reckoned in steps from the plan's to the recording's, each step exchanging one
thing; the difference between two neighbours is that thing's cost:

* route: the ground track that was flown, at the planned airspeed in the forecast wind, instead of
  the planned one (legs cut off or added, heights, places not loitered at);
* wind: the same track in the wind that was met;
* airspeed: at the airspeed that was flown (turns and detours within a block are in it);
* drag: the power that was measured on the wing over what the builder's figures say for it, among
  the gusts that were planned for;
* hover: take-off, transitions and landing, measured over planned;
* delay: loitering and time on the ground over what was planned for the points reached;
* pack: what the pack held less at the start than planned, and the heat it made more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from supervisor.core.atmosphere import tas_per_cas
from supervisor.core.belief import Array
from supervisor.core.estimate.forecast_wind import forecast_wind
from supervisor.core.forecast.legs import map_of
from supervisor.core.plan import Flight
from supervisor.core.power import wing_w
from supervisor.debrief.flown import WING, Block, Flown
from supervisor.debrief.planned import PlannedFlight

CAUSES = ("route", "wind", "airspeed", "drag", "hover", "delay", "pack")
HOVER, WAIT = ("take-off", "transition", "landing"), ("loiter", "ground")
LEAST_GROUND_MPS = 2.0
Book = Callable[[int, str, float], None]


@dataclass(frozen=True, slots=True)
class Causes:
    """Wh that each thing cost more than planned, in all and by leg (without the pack)."""

    total_wh: dict[str, float]
    by_leg_wh: dict[int, dict[str, float]]


def find_causes(flight: Flight, plan: PlannedFlight, flown: Flown, landing_wh: float) -> Causes:
    """Terms that add up to the planned less the flown landing energy.

    ``landing_wh``: open-circuit energy believed after landing.
    """
    legs: dict[int, dict[str, float]] = {}

    def book(leg: int, cause: str, wh: float) -> None:
        row = legs.setdefault(leg, dict.fromkeys(CAUSES[:-1], 0.0))
        row[cause] += wh

    flight = _among_gusts(flight, plan.gusts)
    blocks = flown.blocks
    _book_wing(flight, [b for b in blocks if _on_wing(b)], flown, book)
    avionics = flight.aircraft.avionics_w
    for block in blocks:
        if _on_wing(block):
            continue
        if block.phase == "loiter":
            model = _loiter_wh(flight, block, avionics)
            book(block.leg, "drag", block.energy_wh - model)
            book(block.leg, "delay", model)
        else:
            book(block.leg, "delay" if block.phase in WAIT else "hover", block.energy_wh)
    _book_plan(flight, plan, flown, book)
    total = {c: sum(row[c] for row in legs.values()) for c in CAUSES[:-1]}
    delivered = flown.pack.total_wh - plan.energy_wh()
    # all of the difference that did not leave through the terminals stayed in the pack
    total["pack"] = (plan.landing_wh - landing_wh) - delivered
    return Causes(total, legs)


def _among_gusts(flight: Flight, gusts: float) -> Flight:
    """``flight`` with the power on the wing that the plan reckoned with: over smooth air's."""
    craft = flight.aircraft
    craft = replace(craft, cruise_efficiency=craft.cruise_efficiency / gusts)
    return replace(flight, aircraft=craft)


def _on_wing(block: Block) -> bool:
    return block.phase in WING and block.tas_mps == block.tas_mps and block.seconds > 0.0


def _book_plan(flight: Flight, plan: PlannedFlight, flown: Flown, book: Book) -> None:
    """Take the plan off: what was not flown is route, the rest belongs to its own kind."""
    home = len(flight.route)
    flown_legs = {*range(flown.reached), home}
    for step in plan.steps:
        kind = "route"
        if step.leg in flown_legs and step.phase in HOVER:
            kind = "hover"
        elif step.leg in flown_legs and step.phase in WAIT:
            kind = "delay"
        book(step.leg, kind, -step.energy_wh)


def _loiter_wh(flight: Flight, block: Block, avionics_w: float) -> float:
    tas = block.tas_mps if block.tas_mps == block.tas_mps else flight.aircraft.cruise_mps
    power = wing_w(
        flight.aircraft, flight.aircraft.mass_kg, block.density, tas, 0.0, block.load_factor
    )
    return (float(power) + avionics_w) * block.seconds / 3600.0


def _book_wing(flight: Flight, blocks: list[Block], flown: Flown, book: Book) -> None:
    if not blocks:
        return
    track = _Track.of(flight, blocks, flown.take_off_s)
    told = track.along_plan_wh(track.told)
    met = track.along_plan_wh(track.met)
    as_flown = track.as_flown_wh()
    for k, block in enumerate(blocks):
        book(block.leg, "route", float(told[k] + track.rise_wh[k]))
        book(block.leg, "wind", float(met[k] - told[k]))
        book(block.leg, "airspeed", float(as_flown[k] - met[k] - track.rise_wh[k]))
        book(block.leg, "drag", block.energy_wh - float(as_flown[k]))


@dataclass(frozen=True, slots=True)
class _Track:
    """Blocks on the wing as arrays, with what the plan would fly there. Winds (blocks, 2)."""

    flight: Flight
    mass_kg: Array
    density: Array
    seconds: Array
    tas: Array
    plan_tas: Array
    climb: Array
    load: Array
    moved: Array
    told: Array
    met: Array
    rise_wh: Array

    @classmethod
    def of(cls, flight: Flight, blocks: list[Block], take_off_s: float) -> _Track:
        """From blocks; the planned airspeed is that of each block's own leg."""
        home, craft = len(flight.route), flight.aircraft
        speeds = [w.airspeed_mps for w in flight.route] + [flight.return_plan.airspeed_mps]
        drops = np.cumsum([0.0] + [w.drop_kg for w in flight.route])
        leg = np.array([min(b.leg, home) for b in blocks])
        reached = np.minimum(leg, np.max(np.where(leg < home, leg, 0)) + 1)
        density = np.array([b.density for b in blocks])
        seconds = np.array([b.seconds for b in blocks])
        tas = np.array([b.tas_mps for b in blocks])
        climb = np.array([b.climb_mps for b in blocks])
        load = np.array([b.load_factor for b in blocks])
        mass = craft.mass_kg - drops[np.where(leg < home, leg, reached)]
        place = np.array([(b.north_m, b.east_m, b.height_m, b.t_s - take_off_s) for b in blocks])
        told = forecast_wind(flight.weather, map_of(flight).to_map).at(*place.T)
        met = np.array([(b.wind_n_mps, b.wind_e_mps) for b in blocks])
        level = np.asarray(wing_w(craft, mass, density, tas, 0.0, load))
        risen = np.asarray(wing_w(craft, mass, density, tas, climb, load))
        ratio = np.array([tas_per_cas(float(d)) for d in density])
        return cls(
            flight=flight,
            mass_kg=mass,
            density=density,
            seconds=seconds,
            tas=tas,
            plan_tas=np.array([speeds[i] for i in leg]) * ratio,
            climb=climb,
            load=load,
            moved=np.array([(b.moved_n_m, b.moved_e_m) for b in blocks]),
            told=told,
            met=np.where(np.isfinite(met), met, told),
            rise_wh=(risen - level) * seconds / 3600.0,
        )

    def along_plan_wh(self, wind: Array) -> Array:
        """Level along the flown track at the planned airspeed in this wind [Wh]."""
        length = np.hypot(self.moved[:, 0], self.moved[:, 1])
        course = self.moved / np.maximum(length, 1e-6)[:, None]
        along = (wind * course).sum(axis=1)
        across = wind[:, 1] * course[:, 0] - wind[:, 0] * course[:, 1]
        root = np.sqrt(np.maximum(self.plan_tas**2 - across**2, 0.0))
        ground = np.maximum(root + along, LEAST_GROUND_MPS)
        craft = self.flight.aircraft
        power = np.asarray(wing_w(craft, self.mass_kg, self.density, self.plan_tas))
        result: Array = (power + craft.avionics_w) * length / ground / 3600.0
        return result

    def as_flown_wh(self) -> Array:
        """What the builder's figures say for the motion that was flown [Wh]."""
        craft = self.flight.aircraft
        power = np.asarray(
            wing_w(craft, self.mass_kg, self.density, self.tas, self.climb, self.load)
        )
        result: Array = (power + craft.avionics_w) * self.seconds / 3600.0
        return result
