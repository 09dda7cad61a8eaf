"""Drawing with characters: large figures, ropes, bars and strips as plain strings."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

# Five rows high, drawn for this screen: readable from the other side of a van.
_BIG = {
    "0": ("█████", "█   █", "█   █", "█   █", "█████"),
    "1": ("  ██ ", "   █ ", "   █ ", "   █ ", "  ███"),
    "2": ("█████", "    █", "█████", "█    ", "█████"),
    "3": ("█████", "    █", " ████", "    █", "█████"),
    "4": ("█   █", "█   █", "█████", "    █", "    █"),
    "5": ("█████", "█    ", "█████", "    █", "█████"),
    "6": ("█████", "█    ", "█████", "█   █", "█████"),
    "7": ("█████", "    █", "   █ ", "  █  ", "  █  "),
    "8": ("█████", "█   █", "█████", "█   █", "█████"),
    "9": ("█████", "█   █", "█████", "    █", "█████"),
    ":": ("  ", "█ ", "  ", "█ ", "  "),
    "+": ("     ", "  █  ", "█████", "  █  ", "     "),
    "−": ("     ", "     ", "█████", "     ", "     "),
    "–": ("     ", "     ", " ███ ", "     ", "     "),
    " ": ("  ", "  ", "  ", "  ", "  "),
    "N": ("█   █", "██  █", "█ █ █", "█  ██", "█   █"),
    "O": (" ███ ", "█   █", "█   █", "█   █", " ███ "),
    "W": ("█   █", "█   █", "█ █ █", "██ ██", "█   █"),
}  # fmt: skip
_STEPS = " ▁▂▃▄▅▆▇█"


def big(text: str) -> list[str]:
    """Five lines that spell ``text``; what has no large form is left out."""
    letters = [_BIG[c] for c in text if c in _BIG]
    return ["  ".join(letter[i] for letter in letters) for i in range(5)]


def rope(
    width: int, end: float, sure: float, spread: Sequence[float | None]
) -> tuple[str, int, int]:
    """A line of ``width``: solid to ``sure``, fading to the 95 % end, the median marked.

    Returns the line, and where the solid part and the fading part end.
    """
    p05, p50, p95 = spread

    def column(value: float | None, otherwise: int) -> int:
        return otherwise if value is None else round(width * min(max(value / end, 0.0), 1.0))

    solid = column(sure, 0)
    likely = max(column(p05, solid), solid)
    last = max(column(p95, likely), likely)
    cells = list("█" * solid + "▓" * (likely - solid) + "▒" * (last - likely))
    cells += "·" * (width - len(cells))
    if p50 is not None and p50 <= end:
        cells[min(column(p50, 0), width - 1)] = "┆"
    return "".join(cells), solid, last


def shares(width: int, amounts: Sequence[float], total: float) -> list[int]:
    """Columns for each amount, so that together they end where their sum does."""
    ends, at = [0], 0.0
    for amount in amounts:
        at += max(amount, 0.0)
        ends.append(round(width * at / total) if total > 0 else 0)
    return [b - a for a, b in pairwise(ends)]


def strip(values: Sequence[float], width: int) -> str:
    """A row of columns of eighths; the newest value at the right end."""
    if not values:
        return ""
    step = max(len(values) / width, 1.0)
    count = min(len(values), width)
    picked = [values[min(int((i + 1) * step) - 1, len(values) - 1)] for i in range(count)]
    low, high = min(0.0, *picked), max(picked)
    span = (high - low) or 1.0
    return "".join(_STEPS[1 + round((v - low) / span * 7)] for v in picked)
