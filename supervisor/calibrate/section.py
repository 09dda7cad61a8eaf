"""The new figures as sections of a flight file: hover and cruise as measured, pack as fitted."""

from __future__ import annotations

from supervisor.calibrate.figures import LEVEL_HEIGHT_M, Calibration, Figure


def to_toml(c: Calibration) -> str:
    """Sections to put in place of the old ones; what the flights do not determine is left out."""
    craft, home = c.flight.aircraft, c.flight.home
    lines = [f"# Fitted from {c.flights} flight(s) of {craft.aircraft_id}; one sigma beside each."]
    air_c = c.flight.weather.temperature_c
    hover = c.figure("hover power")
    if not hover.doubt:
        lines += [
            "[aircraft.measured_hover]",
            f"power_w = {hover.new:.0f}  # +- {hover.sd:.0f}, was {hover.old:.0f}",
            *_measured(craft.mass_kg, air_c, home.elevation_m),
        ]
    points = [f for f in c.figures if " power at " in f.name and not f.doubt]
    lines += [
        "[aircraft.measured_cruise]",
        *_measured(craft.mass_kg, air_c, home.elevation_m + LEVEL_HEIGHT_M),
        "points = [",
        *(_point(f) for f in sorted(points, key=_speed)),
        "]",
    ]
    gusts = c.figure("gust cost in 10 m/s of wind")
    if not gusts.doubt:
        lines.append(f"gust_cost_percent = {gusts.new:.1f}  # +- {gusts.sd:.1f}; of 10 m/s of wind")
    capacity = c.figure("pack capacity")
    resistance = c.figure("pack resistance of a new one's")
    lines.append("[pack]  # change these keys, keep the others")
    if not capacity.doubt:
        lines.append(f"capacity_ah = {capacity.new:.2f}  # +- {capacity.sd:.2f}")
    if not resistance.doubt:
        lines.append(f"resistance_scale = {resistance.new:.2f}  # +- {resistance.sd:.2f}")
    return "\n".join(lines) + "\n"


def _measured(mass_kg: float, temperature_c: float, elevation_m: float) -> list[str]:
    return [
        f"mass_kg = {mass_kg:g}",
        f"temperature_c = {temperature_c:g}",
        f"elevation_m = {elevation_m:g}",
    ]


def _speed(f: Figure) -> float:
    return float(f.name.split(" at ")[1].split()[0])


def _point(f: Figure) -> str:
    return f"  {{ airspeed_mps = {_speed(f):.1f}, power_w = {f.new:.0f} }},  # +- {f.sd:.0f}"
