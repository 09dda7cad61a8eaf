"""The report's pictures, as SVG: map with the covered area, ledger, energy and voltage.

Matplotlib is imported here and nowhere else, through its object interface (no global state).
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from supervisor.budget.answer import Budget, PointOnPlan
from supervisor.budget.footprint import Footprint
from supervisor.budget.text import clip
from supervisor.core.forecast.legs import map_of
from supervisor.core.geodesy import LocalMap

INK, FAINT, GRID = "#1d2733", "#6b7785", "#e3e7ec"
OUT, HOME, SAFE, PAPER = "#1f5fa8", "#7a4fa3", "#2e8b57", "#9aa4b0"
NUMBER_PT = 9.0  # from a route point to the middle of its number
LABEL_SHARE = 0.05  # of the map's width: as far as two numbers of two digits want to be apart
NEAR_SHARE = 0.5  # a route that fills less of the covered area gets a second map, drawn closer
WARN, RESERVE, CONTINGENCY, EXTRA = "#c0392b", "#c58b1b", "#e2c77f", "#dfe9f3"
_SIZE = re.compile(r' (?:width|height)="[0-9.]+pt"')
STYLE: dict[Any, Any] = {
    "font.size": 8.5,
    "text.color": INK,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "xtick.color": FAINT,
    "ytick.color": FAINT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "svg.fonttype": "path",  # no font needed where the report is read
    "svg.hashsalt": "homeleg",  # the same budget gives the same bytes
}


def draw_map(b: Budget, area: Footprint) -> str:
    """Route, way home, sites, turn-back points, and from where home is covered; kilometres."""
    with matplotlib.rc_context(STYLE):
        near = _reach_m(b) < NEAR_SHARE * max(area.paper_m)
        figure = Figure(figsize=(7.3, 4.6 if near else 5.4), layout="constrained")
        panels = figure.subplots(1, 2) if near else [figure.add_subplot()]
        for axes in panels:
            _draw_map_on(axes, b, area)
        _wind_arrow(panels[0], b)
        if near:
            panels[1].set(**_frame(b), ylabel="")
        _sites(panels[-1], b)
        lines, names = panels[0].get_legend_handles_labels()
        figure.legend(lines, names, loc="outside lower center", ncols=3, frameon=False)
        return to_svg(figure)


def _reach_m(b: Budget) -> float:
    """To the farthest point of the flight [m]."""
    return float(np.hypot(b.track.north_m, b.track.east_m).max())


def _frame(b: Budget) -> dict[str, tuple[float, float]]:
    """A square around the whole flight [km]."""
    east, north = b.track.east_m / 1000.0, b.track.north_m / 1000.0
    half = 0.68 * max(np.ptp(east), np.ptp(north))
    x, y = (float(v.min() + v.max()) / 2.0 for v in (east, north))
    return {"xlim": (x - half, x + half), "ylim": (y - half, y + half)}


def _draw_map_on(axes: Any, b: Budget, area: Footprint) -> None:
    _areas(axes, area, b.flight.policy.confidence)
    _lines(axes, b)
    _turning(axes, b, map_of(b.flight))
    axes.set_aspect("equal")
    axes.grid(color=GRID, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_xlabel("km east of home")
    axes.set_ylabel("km north of home")


def _areas(axes: Any, area: Footprint, confidence: float) -> None:
    """Filled: covered at the policy's confidence; dashed line: on paper."""
    safe = np.array(area.points(area.safe_m)) / 1000.0
    paper = np.array(area.points(area.paper_m)) / 1000.0
    label = f"home covered at {100 * confidence:g} %"
    axes.fill(safe[:, 1], safe[:, 0], color=SAFE, alpha=0.14, linewidth=0, label=label)
    axes.plot(safe[:, 1], safe[:, 0], color=SAFE, linewidth=1.0)
    axes.plot(
        paper[:, 1], paper[:, 0], color=PAPER, linewidth=1.0, linestyle=(0, (4, 3)),
        label="home covered on paper",
    )  # fmt: skip


def _lines(axes: Any, b: Budget) -> None:
    east, north = b.track.east_m / 1000.0, b.track.north_m / 1000.0
    k = b.track.home_from
    axes.plot(east[: k + 1], north[: k + 1], color=OUT, linewidth=1.8, label="route")
    axes.plot(
        east[k:], north[k:], color=HOME, linewidth=1.3, linestyle=(0, (5, 2)), label="way home"
    )


def _sites(axes: Any, b: Budget) -> None:
    """Home, alternates, route points; numbers as many as have room within the axes' limits."""
    chart = map_of(b.flight)
    axes.plot(0.0, 0.0, marker="s", color=INK, markersize=6, zorder=5)
    _label(axes, 0.0, 0.0, b.flight.home.name, above=False)
    for site in b.flight.alternates:
        north, east = chart.to_map(site.lat_rad, site.lon_rad)
        axes.plot(east / 1000, north / 1000, marker="D", color=FAINT, markersize=5, zorder=5)
        _label(axes, east / 1000, north / 1000, clip(site.name, 24), above=True)
    places = [chart.to_map(w.lat_rad, w.lon_rad) for w in b.flight.route]
    numbered = apart(places, LABEL_SHARE * 1000.0 * float(np.ptp(axes.get_xlim())))
    for i, ((north, east), turn) in enumerate(zip(places, b.turns, strict=True)):
        colour = OUT if turn.chance >= b.flight.policy.confidence else WARN
        axes.plot(
            east / 1000, north / 1000, marker="o", markersize=4.5, zorder=5,
            markerfacecolor="white", markeredgecolor=colour, markeredgewidth=1.3,
        )  # fmt: skip
        if i in numbered:
            away = [NUMBER_PT * part for part in aside(places, i)]
            axes.annotate(
                str(i + 1), (east / 1000, north / 1000), xytext=away, textcoords="offset points",
                ha="center", va="center", fontsize=7, color=INK, zorder=6, annotation_clip=True,
            )  # fmt: skip


def aside(places: Sequence[tuple[float, float]], i: int) -> tuple[float, float]:
    """Unit vector (east, north) out of the bend at place ``i``; where there is none, across."""
    here = np.array(places[i])
    before = np.array(places[i - 1]) if i else np.zeros(2)  # home
    after = np.array(places[i + 1]) if i + 1 < len(places) else 2.0 * here - before
    into, out = here - before, after - here
    bend = into - out
    if math.hypot(*bend) < 0.3 * (math.hypot(*into) + math.hypot(*out)):
        along = into + out
        bend = np.array([abs(along[1]), -along[0] * math.copysign(1.0, along[1])])
    north, east = bend / max(math.hypot(*bend), 1e-9)
    return float(east), float(north)


def apart(places: Sequence[tuple[float, float]], least_m: float) -> list[int]:
    """Of places in their order those that are ``least_m`` and more from all taken before them."""
    taken: list[int] = []
    for i, place in enumerate(places):
        if all(math.dist(place, places[k]) >= least_m for k in taken):
            taken.append(i)
    return taken


def _label(axes: Any, x: float, y: float, text: str, *, above: bool) -> None:
    """A name, out of the way of the numbers of the route points."""
    away = 18
    axes.annotate(
        text, (x, y), xytext=(0, away if above else -away), textcoords="offset points", ha="center",
        va="bottom" if above else "top", fontsize=7, color=INK, zorder=6, annotation_clip=True,
    )  # fmt: skip


def _turning(axes: Any, b: Budget, chart: LocalMap) -> None:
    percent = f"turn back by, {100 * b.flight.policy.confidence:g} %"
    named: tuple[tuple[PointOnPlan | None, str, str, str], ...] = (
        (b.turn_back_safe, "v", SAFE, percent),
        (b.turn_back_paper, "v", PAPER, "turn back by, on paper"),
        (None if b.equal_time_beyond else b.equal_time, "|", INK, "equal time"),
    )
    for place, marker, colour, label in named:
        if place is None:
            continue
        north, east = chart.to_map(place.lat_rad, place.lon_rad)
        axes.plot(
            east / 1000, north / 1000, marker=marker, color=colour, markersize=9, zorder=7,
            linestyle="none", label=label,
        )  # fmt: skip


def _wind_arrow(axes: Any, b: Budget) -> None:
    if not b.flight.weather.wind:
        return
    row = b.flight.weather.wind[0]
    speed = math.hypot(row.n_mps, row.e_mps)
    if speed < 0.3:
        return
    tip = np.array([row.e_mps, row.n_mps]) / speed * 0.035
    middle = np.array([0.93, 0.90])
    axes.annotate(
        "", middle + tip, middle - tip, xycoords="axes fraction", textcoords="axes fraction",
        arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.4},
    )  # fmt: skip
    words = f"wind {speed:.0f} m/s"
    axes.text(
        middle[0], middle[1] - 0.075, words, transform=axes.transAxes, ha="center", fontsize=7.5
    )


def draw_ledger(b: Budget) -> str:
    """What turning at each route point would spend and keep, against what the pack holds."""
    with matplotlib.rc_context(STYLE):
        count = len(b.turns)
        row_in = min(max(2.7 / count, 0.17), 0.30)  # few points stand apart, many fit the page
        figure = Figure(figsize=(7.3, 0.9 + row_in * count), layout="constrained")
        axes = figure.add_subplot()
        policy, full = b.flight.policy, b.today_wh
        parts = [
            ("flown out", OUT, [full - t.energy_wh for t in b.turns]),
            ("home leg and landing", HOME, [t.needed_wh for t in b.turns]),
            ("contingency", CONTINGENCY, [policy.contingency * t.needed_wh for t in b.turns]),
            ("final reserve", RESERVE, [policy.final_reserve_wh] * count),
        ]
        if policy.alternate_wh:
            parts.insert(3, ("alternate", FAINT, [policy.alternate_wh] * count))
        rows = np.arange(count)[::-1]
        left = np.zeros(count)
        for name, colour, values in parts:
            axes.barh(rows, values, left=left, height=0.62, color=colour, label=name)
            left = left + np.array(values)
        spare = np.maximum(full - left, 0.0)
        axes.barh(rows, spare, left=left, height=0.62, color=EXTRA, label="extra")
        axes.axvline(full, color=INK, linewidth=1.2)
        axes.set_yticks(rows, [f"{i + 1}  {clip(t.waypoint, 26)}" for i, t in enumerate(b.turns)])
        axes.tick_params(axis="y", length=0, labelcolor=INK)
        axes.set_xlabel("Wh if it turns there; the line is what the pack holds at take-off")
        axes.margins(y=0.01)
        axes.legend(
            loc="lower center", bbox_to_anchor=(0.45, 1.0), ncols=6, frameon=False,
            handlelength=1.4, columnspacing=1.2,
        )  # fmt: skip
        return to_svg(figure)


def draw_flight(b: Budget) -> str:
    """Energy left and energy needed above, the cell's voltage under load below; minutes."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.3, 4.3), layout="constrained")
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        minutes, k = b.track.t_s / 60.0, b.track.home_from
        left = np.maximum(b.track.energy_wh, 0.0)
        alive = b.track.energy_wh > 0.0
        upper.plot(minutes[: k + 1], left[: k + 1], color=OUT, linewidth=1.8, label="energy left")
        upper.plot(minutes[k:], left[k:], color=HOME, linewidth=1.5, linestyle=(0, (5, 2)))
        upper.plot(
            minutes[: k + 1], b.track.needed_wh, color=WARN, linewidth=1.3,
            label="needed to turn here, reserves kept",
        )  # fmt: skip
        upper.axhline(b.flight.policy.final_reserve_wh, color=RESERVE, linewidth=1.0)
        upper.set_ylabel("Wh")
        upper.set_ylim(0.0, None)
        lower.plot(minutes[1:][alive[1:]], b.track.cell_v[1:][alive[1:]], color=INK, linewidth=1.2)
        lower.axhline(b.flight.policy.min_cell_v, color=WARN, linewidth=1.0)
        lower.set_ylabel("V a cell, under load")
        lower.set_xlabel("minutes after take-off (home leg dashed: the whole plan flown)")
        _moments(upper, lower, b)
        for axes in (upper, lower):
            axes.grid(color=GRID, linewidth=0.6)
            axes.set_axisbelow(True)
        other = upper.secondary_yaxis("right", functions=_percent_of(b))
        other.set_ylabel("% of today's energy")
        upper.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, frameon=False)
        return to_svg(figure)


def _percent_of(b: Budget) -> Any:
    full = b.today_wh
    return (lambda wh: 100.0 * wh / full, lambda share: share * full / 100.0)


def _moments(upper: Any, lower: Any, b: Budget) -> None:
    """Vertical lines at the turn-back times."""
    policy = b.flight.policy
    named = (
        (b.turn_back_safe, SAFE, f"turn back by\n({100 * policy.confidence:g} %)", "right"),
        (b.turn_back_paper, FAINT, "turn back by\n(on paper)", "left"),
    )
    for place, colour, words, side in named:
        if place is None:
            continue
        minute = place.after_s / 60.0
        for axes in (upper, lower):
            axes.axvline(minute, color=colour, linewidth=1.0, linestyle=":")
        shift = -3 if side == "right" else 3
        upper.annotate(
            words, (minute, 1.0), xycoords=("data", "axes fraction"), xytext=(shift, -2),
            textcoords="offset points", ha=side, va="top", fontsize=7, color=colour,
        )  # fmt: skip


def to_svg(figure: Figure) -> str:
    """The drawing alone, without XML head, date, or a fixed size: the page gives it its width."""
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    return _SIZE.sub("", text[text.index("<svg") :], count=2)
