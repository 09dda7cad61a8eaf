"""Numbers in words for the terminal; the page has the same rules in measures.js.

Exact by definition: 1 NM = 1852 m, 1 kt = 1852/3600 m/s, 1 ft = 0.3048 m.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

from supervisor.watch.view import Figure

NM_KM, KT_MPS, FT_M = 1.852, 1852.0 / 3600.0, 0.3048


SECONDS_MIN = 5.0  # a clock time that is nearer than this has its seconds


def minutes_left(minutes: float) -> tuple[str, str]:
    """A time still left and its unit, rounded down: never promised longer than it is."""
    if minutes >= 10:
        return str(math.floor(minutes)), "min"
    seconds = max(math.floor(minutes * 60), 0)
    return (f"{seconds // 60}:{seconds % 60:02d}", "min") if seconds >= 60 else (str(seconds), "s")


def turn_clock(now_s: float, minutes: float) -> str:
    """The clock time (UTC) of a turn in ``minutes``."""
    by = datetime.fromtimestamp(now_s + 60.0 * minutes, UTC)
    return f"{by:%H:%M:%S}" if minutes < SECONDS_MIN else f"{by:%H:%M}"


def signed(value: float | None) -> str:
    """Whole number with its sign, a real minus."""
    if value is None:
        return "–"
    return f"{value:+.0f}".replace("-", "−") if round(value) else "0"


def whole(value: float) -> str:
    """Whole number, a real minus, and no minus before nought."""
    return f"{value:z.0f}".replace("-", "−")


def chance(share: float | None) -> str:
    """Whole per cent, never certain nor none; the aircraft's own sentences say it alike."""
    if share is None:
        return "unknown"
    if share > 0.99:
        return "over 99 %"
    return "under 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def distance(km: float, units: str) -> str:
    """Kilometres or nautical miles."""
    return f"{km / NM_KM:.1f} NM" if units == "nautical" else f"{km:.1f} km"


def speed(mps: float, units: str) -> str:
    """Metres a second or knots."""
    return f"{mps / KT_MPS:.0f} kt" if units == "nautical" else f"{mps:.1f} m/s"


def height(m: float, units: str) -> str:
    """Metres or feet."""
    return f"{m / FT_M:.0f} ft" if units == "nautical" else f"{m:.0f} m"


def figure_words(figure: Figure) -> tuple[str, str]:
    """The large figure, and what it means."""
    reckoned = ", reckoned on from the last word" if figure.reckoned else ""
    match figure.kind:
        case "turn":
            big, unit = minutes_left(figure.minutes or 0.0)
            return big, f"{unit} until it must turn{reckoned}"
        case "due":
            return "NOW", f"is the time to turn back{reckoned}"
        case "home":
            return signed(figure.margin_wh[1]), f"Wh above the final reserve at landing{reckoned}"
        case "whole":
            share = chance(figure.completion)
            return _digits(share), f"{share} that the whole plan and the way home fit{reckoned}"
        case "ground":
            share = chance(figure.completion)
            return _digits(share), f"{share} that the whole plan fits; on the ground{reckoned}"
        case "landed":
            return whole(figure.left_wh[1] or 0.0), "Wh left in the pack, landed"
        case _:
            return "–", "no forecast yet"


def _down(minutes: float) -> str:
    """Whole minutes, rounded down; tenths of the last one."""
    least = max(minutes, 0.0)
    return f"{math.floor(10 * least) / 10:.1f}" if 0.0 < least < 1.0 else f"{math.floor(least)}"


def _digits(share: str) -> str:
    return "".join(c for c in share if c.isdigit()) or "–"


def spread_words(figure: Figure, confidence: float | None) -> str:
    """The spread of the figure in plain words."""
    p05, p50, p95 = figure.spread_min
    if figure.kind == "turn":
        sure = f"{100 * confidence:.4g} % sure of home if it turns by then. " if confidence else ""
        if p50 is None:
            return f"{sure}More likely than not it need not turn before the plan ends."
        words = f"{sure}Even odds at {_down(p50)} min"
        if p05 is not None and p95 is not None:
            words += f"; nine in ten between {_down(p05)} and {_down(p95)}"
        elif p05 is not None:
            words += f"; nine in ten from {_down(p05)} min on"
        return words + "."
    low, mid, high = figure.margin_wh
    if mid is None:
        return ""
    if figure.kind == "landed":
        return landed_words(figure)
    when = "As last known, turning" if figure.reckoned else "Turning now"
    side = "above" if mid >= 0 else "below"
    return (
        f"{when} would land {abs(mid):.0f} Wh {side} the reserve, nine in ten between "
        f"{signed(low)} and {signed(high)}; home is covered with {chance(figure.covered)}."
    )


def landed_words(figure: Figure) -> str:
    """How sure the energy after the landing is, and how it lies to the reserve."""
    low, _, high = figure.left_wh
    above = figure.margin_wh[1] or 0.0
    side = "above" if above >= 0 else "below"
    sure = f"Nine in ten between {whole(low or 0.0)} and {whole(high or 0.0)}"
    return f"{sure}; {whole(abs(above))} Wh {side} the final reserve. The debrief tells the rest."
