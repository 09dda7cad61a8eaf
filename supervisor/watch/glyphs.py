"""Drawing with characters: large figures, ropes, bars and strips as plain strings."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
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


@dataclass(frozen=True, slots=True)
class Column:
    """One moment of the strip: where nineteen in twenty lie above, and one in twenty."""

    t_s: float
    low: float
    high: float


def strip(
    columns: Sequence[Column], span_s: tuple[float, float], now_s: float, width: int, height: int
) -> list[str]:
    """Rows, the top first, that fill from zero up to ``low``, and thinner up to ``high``.

    What is still to come, right of ``now_s``, is drawn in lighter characters.
    """
    top = max([c.high for c in columns], default=0.0)
    picked = [_nearest(columns, _time(span_s, i, width)) for i in range(width)]
    lines = []
    for row in range(height, 0, -1):
        level = top * (row - 0.5) / height
        lines.append("".join(_cell(c, level, now_s) for c in picked))
    return lines


def place(span_s: tuple[float, float], t_s: float, width: int) -> int:
    """The strip's column of a moment."""
    share = (t_s - span_s[0]) / max(span_s[1] - span_s[0], 1.0)
    return min(max(int(share * width), 0), width - 1)


def _time(span_s: tuple[float, float], column: int, width: int) -> float:
    return span_s[0] + (column + 0.5) / width * (span_s[1] - span_s[0])


def _nearest(columns: Sequence[Column], t_s: float) -> Column | None:
    at = bisect_left(columns, t_s, key=lambda c: c.t_s)
    near = columns[max(at - 1, 0) : at + 1]
    return min(near, key=lambda c: abs(c.t_s - t_s), default=None)


def _cell(column: Column | None, level: float, now_s: float) -> str:
    past = column is not None and column.t_s <= now_s
    if column is None or level > column.high:
        return " "
    if level <= column.low:
        return "█" if past else "▒"
    return "░" if past else "·"
