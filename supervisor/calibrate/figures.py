"""The builder's figures, old against new, from one or many flights of one aircraft and pack."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from supervisor.calibrate.airspeed import AirSamples, AirspeedFit, fit_airspeed
from supervisor.calibrate.blocks import steady_blocks
from supervisor.calibrate.gusts import gust_cost
from supervisor.calibrate.pack import PackFit, binned, fit_pack, pulse_ohm, zero_w
from supervisor.calibrate.power import (
    CLIMB,
    HOVER,
    INDUCED,
    PARASITE,
    PRIOR_SD,
    SPREAD_OF_SPEEDS,
    PowerFit,
    fit_power,
    level_sd_w,
    level_w,
)
from supervisor.core.atmosphere import day_offset_k, density_kgpm3
from supervisor.core.belief import Array
from supervisor.core.plan import Flight
from supervisor.core.power import hover_w
from supervisor.debrief.flown import Flown

Z95 = 1.96
AIR_BLOCK_S, LEAST_SAMPLES = 20, 6
LITTLE_LEARNED = 0.6  # a figure whose spread is still this share of the prior's is not determined
LEAST_DEPTH = 0.35
LEVEL_HEIGHT_M = 100.0


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure; ``doubt`` says why the flights do not determine it, empty when they do."""

    name: str
    unit: str
    old: float
    new: float
    sd: float
    doubt: str = ""

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval."""
        return self.new - Z95 * self.sd

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        return self.new + Z95 * self.sd


@dataclass(frozen=True, slots=True)
class Calibration:
    """All figures and the fits behind them."""

    flight: Flight
    flights: int
    figures: tuple[Figure, ...]
    power: PowerFit
    air: AirspeedFit
    pack: PackFit

    def figure(self, name: str) -> Figure:
        """By name."""
        return next(f for f in self.figures if f.name == name)


def calibrate(flight: Flight, flights: list[Flown]) -> Calibration:
    """The figures of ``flight``'s aircraft and pack as these flights show them."""
    craft = flight.aircraft
    rows = steady_blocks(flights)
    power = fit_power(craft, craft.mass_kg, rows, zero_w(flight.pack))
    air = fit_airspeed(air_samples(flights))
    pack = fit_pack(
        flight.pack,
        [
            binned(flight.pack, p.t_s, p.pack_v, p.current_a, p.temperature_c)
            for p in (f.pack for f in flights)
        ],
    )
    level = rows.only((rows.hover < 0.5) & (np.abs(rows.climb_mps) < 0.5))
    cas = level.tas_mps * np.sqrt(level.density / 1.225)
    slow, fast = (float(np.percentile(cas, q)) if len(cas) else math.nan for q in (5, 95))
    figures = [*_power(flight, power, slow, fast), _airspeed(air), *_pack(flight, pack)]
    return Calibration(flight, len(flights), tuple(figures), power, air, pack)


def air_samples(flights: list[Flown]) -> AirSamples:
    """Means over blocks of twenty seconds."""
    rows = []
    for number, flown in enumerate(flights):
        groups: dict[int, list[tuple[float, ...]]] = {}
        for m in flown.motion:
            air = (m.air_n_mps, m.air_e_mps)
            row = (m.t_s, m.vn_mps, m.ve_mps, *air, float(number), math.hypot(*air))
            groups.setdefault(int(m.t_s // AIR_BLOCK_S), []).append(row)
        rows += [np.mean(g, axis=0) for g in groups.values() if len(g) >= LEAST_SAMPLES]
    return AirSamples(*np.array(rows).reshape(len(rows), 7).T)


def _densities(flight: Flight) -> tuple[float, float]:
    """At home, and where level flight is reckoned."""
    home = flight.home.elevation_m
    offset = day_offset_k(flight.weather.temperature_c, home)
    return density_kgpm3(home, offset), density_kgpm3(home + LEVEL_HEIGHT_M, offset)


def _power(flight: Flight, power: PowerFit, slow: float, fast: float) -> list[Figure]:
    craft, scales, sd = flight.aircraft, power.scales, np.sqrt(np.diag(power.cov))
    ground, aloft = _densities(flight)
    bare = float(hover_w(craft, craft.mass_kg, ground))
    hovers = int((power.blocks.hover > 0.5).sum())
    hover = Figure(
        "hover power", "W", bare + craft.avionics_w, bare * scales[HOVER] + craft.avionics_w,
        bare * scales[HOVER] * float(sd[HOVER]),
        "" if hovers else "no hover of six seconds or more in these flights",
    )  # fmt: skip
    rows = [hover]
    narrow = ""
    if not fast / slow >= SPREAD_OF_SPEEDS:
        narrow = f"never flew level slower than {slow:.1f} or faster than {fast:.1f} m/s"
    speeds = {"cruise power": craft.cruise_mps}
    if not narrow:
        speeds |= {"slow power": slow, "fast power": fast}
    for name, cas in speeds.items():
        old = level_w(craft, craft.mass_kg, np.zeros(4), cas, aloft)
        new = level_w(craft, craft.mass_kg, power.fit.x, cas, aloft)
        spread = level_sd_w(craft, craft.mass_kg, power, cas, aloft)
        rows.append(Figure(f"{name} at {cas:.1f} m/s", "W", old, new, spread))
    for name, k, value in (("CD0", PARASITE, craft.cd0), ("k", INDUCED, craft.k)):
        new = value * float(scales[k])
        rows.append(Figure(name, "", value, new, new * float(sd[k]), narrow or _unlearned(sd, k)))
    eta = craft.cruise_efficiency
    rows.append(_gusts(flight, power))
    climbs = "" if sd[CLIMB] < LITTLE_LEARNED * PRIOR_SD[CLIMB] else "hardly ever climbed"
    new = eta / float(scales[CLIMB])
    rows.append(Figure("climb efficiency", "", eta, new, new * float(sd[CLIMB]), climbs))
    return rows


def _gusts(flight: Flight, power: PowerFit) -> Figure:
    found, old = gust_cost(flight.aircraft, power), 100.0 * flight.aircraft.gust_cost
    return Figure(
        "gust cost in 10 m/s of wind", "%", old, 100.0 * found.share, 100.0 * found.sd, found.doubt
    )


def _unlearned(sd: Array, k: int) -> str:
    little = sd[k] > LITTLE_LEARNED * PRIOR_SD[k]
    return "these flights do not tell parasite from induced drag" if little else ""


def _airspeed(air: AirspeedFit) -> Figure:
    doubt = ""
    if air.factor_sd > 0.03:
        doubt = "legs in one direction only: airspeed and wind cannot be told apart"
    return Figure("true over indicated airspeed", "", 1.0, air.factor, air.factor_sd, doubt)


def _pack(flight: Flight, found: PackFit) -> list[Figure]:
    pack = flight.pack
    shallow = ""
    if found.depth < LEAST_DEPTH:
        shallow = f"never used more than {100 * found.depth:.0f} % of the pack in one flight"
    share = found.resistance_sd / found.resistance
    return [
        Figure(
            "pack resistance of a new one's", "", pack.resistance_scale, found.resistance,
            found.resistance_sd, shallow,
        ),
        Figure(
            "pack resistance, 30 s at half charge", "mohm",
            1e3 * pulse_ohm(pack, pack.resistance_scale), 1e3 * found.pulse_ohm,
            1e3 * found.pulse_ohm * share, shallow,
        ),
        Figure("pack capacity", "Ah", pack.capacity_ah, found.capacity_ah, found.capacity_sd_ah,
               shallow),
    ]  # fmt: skip
