"""The debrief's pictures, as SVG, in the look of the budget's."""

from __future__ import annotations

import math
from typing import Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation

from supervisor.budget.charts import (
    EXTRA,
    FAINT,
    GRID,
    HOME,
    INK,
    OUT,
    PAPER,
    RESERVE,
    STYLE,
    WARN,
    to_svg,
)
from supervisor.budget.text import clip
from supervisor.core.belief import Array
from supervisor.debrief.answer import Debrief, Foreseen
from supervisor.debrief.causes import CAUSES
from supervisor.debrief.flown import AFTER, BEFORE
from supervisor.debrief.words import landed_words

RESERVE_WORDS = "#8a5d00"  # the line's amber, dark enough for words on white
AMBER, RED, BETTER = "#b97700", "#b3261e", "#3b7d8c"
TONES = {"advisory": FAINT, "caution": AMBER, "warning": RED}
PHASE_TONES = {
    "take-off": "#8a5a2b", "landing": "#b0793f", "transition": "#cda877", "climb": "#3f78b5",
    "cruise": "#1f5fa8", "loiter": "#7fa8d1", "descent": "#b9cfe6", "ground": "#c9ced4",
}  # fmt: skip
WIDTH_IN = 7.3


def draw_causes(d: Debrief) -> str:
    """From the planned landing energy down (or up) to the flown one, a step a cause."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, 3.1), layout="constrained")
        axes = figure.add_subplot()
        causes = [(c, d.causes.total_wh[c]) for c in CAUSES]
        level = d.plan.landing_wh
        axes.bar(0, level, color=PAPER, width=0.62)
        _value(axes, 0, max(level, 0.0), f"{level:.0f}")
        for k, (_, cost) in enumerate(causes, start=1):
            after = level - cost
            tone = AMBER if cost > 0.0 else BETTER
            axes.bar(k, cost, bottom=after, color=tone, width=0.62)
            axes.plot([k - 0.69, k + 0.31], [level, level], color=FAINT, linewidth=0.7)
            _value(axes, k, max(level, after), f"{-cost:+.0f}")
            level = after
        last = len(causes) + 1
        axes.bar(last, level, color=OUT, width=0.62)
        _doubt(axes, last, d)
        _value(axes, last, max(d.landing.high_wh, 0.0), f"{level:.0f}")
        axes.axhline(0.0, color=INK, linewidth=0.8)
        axes.axhline(d.flight.policy.final_reserve_wh, color=RESERVE, linewidth=1.2)
        axes.annotate(
            "final\nreserve", (1.0, d.flight.policy.final_reserve_wh),
            xycoords=("axes fraction", "data"), xytext=(3, 0), textcoords="offset points",
            ha="left", va="center", fontsize=7.5, color=RESERVE_WORDS, annotation_clip=True,
        )  # fmt: skip
        axes.set_xticks(range(last + 1), ["planned", *(c for c, _ in causes), "flown"])
        axes.tick_params(axis="x", length=0, labelcolor=INK)
        axes.set_ylabel("Wh left at landing")
        levels = np.array(
            [d.plan.landing_wh, *d.plan.landing_wh - np.cumsum([c for _, c in causes])]
        )
        _zoom(axes, levels)
        _grid(axes, "y")
        return to_svg(figure)


def _zoom(axes: Any, levels: Array) -> None:
    """Room above; and small steps far above zero are looked at closely, which the axis says."""
    low, high = axes.get_ylim()
    span = float(np.ptp(levels))
    if levels.min() > 4.0 * span > 0.0:
        low = float(levels.min()) - 1.5 * span
        high = float(levels.max())
        axes.set_ylabel(f"Wh left at landing (the axis begins at {low:.0f})")
    axes.set_ylim(low, high + 0.12 * (high - low))


def _doubt(axes: Any, x: float, d: Debrief) -> None:
    """The range of what was left, as a bar from its 5th to its 95th percentile."""
    axes.vlines(x, d.landing.low_wh, d.landing.high_wh, color=INK, linewidth=1.4, zorder=4)


def _value(axes: Any, x: float, y: float, text: str) -> None:
    axes.annotate(
        text, (x, y), xytext=(0, 3), textcoords="offset points", ha="center", fontsize=8, color=INK
    )


def draw_forecast(d: Debrief) -> str:
    """What was predicted for landing, with its spread, at each moment; and what came."""
    with matplotlib.rc_context(STYLE):
        lanes_in = max(0.17 * len({e.condition for e in d.events}), 0.7)
        figure = Figure(figsize=(WIDTH_IN, 3.1 + lanes_in), layout="constrained")
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2.4, lanes_in))
        kinds = {k: [f for f in d.foreseen if f.kind == k] for k in ("now", "then", "home")}
        after = kinds["then"] + kinds["home"]
        _band(upper, d, kinds["now"], PAPER, "if it had turned at that moment")
        _band(upper, d, kinds["then"], HOME, "for the turn that it later made")
        _band(upper, d, kinds["home"], OUT, "on the way home")
        end = _minutes(d, _end_s(d))
        word = "came" if d.flown.landing_s == d.flown.landing_s else "last heard"
        upper.axhline(d.landing_wh, color=INK, linewidth=1.1, linestyle=(0, (5, 2)))
        upper.plot([end], [d.landing_wh], marker="o", color=INK, markersize=5)
        _doubt(upper, end, d)
        upper.annotate(
            f"{word}: {landed_words(d)} Wh", (end, d.landing.high_wh), xytext=(4, 18),
            textcoords="offset points", ha="right", fontsize=8, color=INK,
        )  # fmt: skip
        upper.axhline(d.flight.policy.final_reserve_wh, color=RESERVE, linewidth=1.2)
        upper.annotate(
            "final reserve", (0.0, d.flight.policy.final_reserve_wh), xytext=(2, -2),
            textcoords="offset points", va="top", fontsize=7.5, color=RESERVE_WORDS,
        )  # fmt: skip
        _look_at_the_end(upper, d, after)
        _turn_line((upper, lower), d)
        upper.set_ylabel("Wh at landing")
        upper.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, frameon=False)
        _advisory_bars(lower, d)
        lower.set_xlabel("minutes after take-off")
        _grid(upper)
        return to_svg(figure)


def _look_at_the_end(axes: Any, d: Debrief, after: list[Foreseen]) -> None:
    """What counts is near the reserve: a full pack's early hundreds may leave the picture."""
    if after:
        highest = max(d.landing_wh, d.flight.policy.final_reserve_wh, *(f.p95_wh for f in after))
        axes.set_ylim(min(0.0, *(f.p05_wh for f in after)), 1.7 * highest)


def _band(axes: Any, d: Debrief, rows: list[Foreseen], colour: str, label: str) -> None:
    if not rows:
        return
    t = np.array([_minutes(d, f.t_s) for f in rows])
    low, mid, high = np.array([(f.p05_wh, f.p50_wh, f.p95_wh) for f in rows]).T
    axes.fill_between(t, low, high, color=colour, alpha=0.25, linewidth=0)
    axes.plot(t, mid, color=colour, linewidth=1.6, label=label)


def _turn_line(both: tuple[Any, ...], d: Debrief) -> None:
    turn = _minutes(d, d.turn_back.turn_s)
    if turn != turn:
        return
    for axes in both:
        axes.axvline(turn, color=HOME, linewidth=1.2, linestyle=":")
    both[0].annotate(
        "turned\nfor home", (turn, 1.0), xycoords=("data", "axes fraction"), xytext=(-3, -2),
        textcoords="offset points", ha="right", va="top", fontsize=7, color=HOME,
    )  # fmt: skip


def _advisory_bars(axes: Any, d: Debrief) -> None:
    """A lane a condition; a bar from raising to ending, a tick where it was acknowledged."""
    names = list(dict.fromkeys(e.condition for e in d.events))
    for e in d.events:
        lane = -names.index(e.condition)
        end_s = e.ended_s if e.ended_s == e.ended_s else _end_s(d)
        start, end = _minutes(d, e.t_s), _minutes(d, end_s)
        axes.barh(lane, max(end - start, 0.3), left=start, height=0.66, color=TONES[e.level])
        if e.acked_by:
            mark = start + e.acked_after_s / 60.0
            axes.plot([mark], [lane], marker="|", color="white", markersize=7, markeredgewidth=1.6)
    axes.set_yticks([-k for k in range(len(names))], names)
    axes.tick_params(axis="y", length=0, labelsize=7, labelcolor=INK)
    if not names:
        axes.set_yticks([])
        axes.annotate("no advisories", (0.5, 0.5), xycoords="axes fraction", ha="center")


def draw_ledger(d: Debrief) -> str:
    """Two bars a leg, planned above flown, stacked by phase."""
    legs = [leg for leg in (BEFORE, *d.legs, AFTER) if any(x.leg == leg for x in d.lines)]
    with matplotlib.rc_context(STYLE):
        leg_in = min(max(4.2 / len(legs), 0.17), 0.42)  # few legs stand apart, many fit the page
        figure = Figure(figsize=(WIDTH_IN, 0.75 + leg_in * len(legs)), layout="constrained")
        axes = figure.add_subplot()
        shown: set[str] = set()
        for k, leg in enumerate(legs):
            for offset, height, planned in ((0.19, 0.26, True), (-0.14, 0.38, False)):
                left = 0.0
                for line in (x for x in d.lines if x.leg == leg):
                    wh = line.planned_wh if planned else line.flown_wh
                    label = None if planned or line.phase in shown else line.phase
                    shown |= set() if planned else {line.phase}
                    axes.barh(
                        -k + offset, wh, left=left, height=height, label=label,
                        color=PHASE_TONES[line.phase], alpha=0.38 if planned else 1.0,
                    )  # fmt: skip
                    left += wh
        axes.set_yticks([-k for k in range(len(legs))], [clip(leg, 26) for leg in legs])
        axes.tick_params(axis="y", length=0, labelcolor=INK)
        axes.margins(y=0.01)
        axes.set_xlabel("Wh at the terminals: planned (pale, above), flown (full, below)")
        axes.legend(loc="lower center", bbox_to_anchor=(0.45, 1.0), ncols=7, frameon=False,
                    columnspacing=1.0, handlelength=1.2)  # fmt: skip
        _grid(axes, "x")
        return to_svg(figure)


def draw_wind(d: Debrief) -> str:
    """Speed over time and over height, met and forecast."""
    winds = d.flown.winds
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, 2.6), layout="constrained")
        left, right = figure.subplots(1, 2, width_ratios=(5, 3))
        t = np.array([_minutes(d, w.t_s) for w in winds])
        met, told = (
            np.array([math.hypot(w.n_mps, w.e_mps) for w in winds]),
            np.array([math.hypot(w.forecast_n_mps, w.forecast_e_mps) for w in winds]),
        )
        sd, height = np.array([w.sd_mps for w in winds]), np.array([w.height_m for w in winds])
        if len(winds):
            left.fill_between(t, met - 2 * sd, met + 2 * sd, color=OUT, alpha=0.18, linewidth=0)
        left.plot(t, met, color=OUT, linewidth=1.5, label="met")
        left.plot(t, told, color=PAPER, linewidth=1.5, linestyle=(0, (4, 2)), label="forecast")
        _arrows(left, d, t)
        left.set_ylim(0.0, 1.25 * max(met.max(), told.max(), 1.0) if len(winds) else 1.0)
        left.set_xlabel("minutes after take-off")
        left.set_ylabel("wind, m/s")
        left.legend(loc="lower right", frameon=False, ncols=2)
        right.plot(met, height, ".", color=OUT, markersize=3, alpha=0.6)
        right.plot(told, height, ".", color=PAPER, markersize=3, alpha=0.6)
        right.set_xlim(0.0, None)
        right.set_ylim(0.0, None)
        right.set_xlabel("wind, m/s")
        right.set_ylabel("m above home")
        _grid(left)
        _grid(right)
        return to_svg(figure)


def _arrows(axes: Any, d: Debrief, t: Array) -> None:
    """Where the met wind blew to, north up, along the top."""
    winds = d.flown.winds
    for k in range(0, len(winds), max(len(winds) // 12, 1)):
        w = winds[k]
        speed = max(math.hypot(w.n_mps, w.e_mps), 0.1)
        e, n = 13.0 * w.e_mps / speed, 13.0 * w.n_mps / speed
        _arrow(axes, float(t[k]), e, n)


def _arrow(axes: Any, x: float, e: float, n: float) -> None:
    """Centred 12 points below the top edge at time ``x``."""
    scale = axes.figure.dpi_scale_trans

    def at(de: float, dn: float) -> Any:
        return axes.get_xaxis_transform() + ScaledTranslation(de / 72, (dn - 12.0) / 72, scale)

    axes.annotate(
        "", xy=(x, 1.0), xycoords=at(e / 2, n / 2), xytext=(x, 1.0), textcoords=at(-e / 2, -n / 2),
        arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 0.9,
                    "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip


def draw_pack(d: Debrief) -> str:
    """Power, the weakest cell's voltage and the pack's temperature over the flight."""
    seen = d.flown.pack
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, 3.6), layout="constrained")
        top, middle, low = figure.subplots(3, 1, sharex=True, height_ratios=(3, 3, 1.6))
        t = (seen.t_s - d.flown.take_off_s) / 60.0
        top.fill_between(t, seen.power_w, color=EXTRA, linewidth=0)
        top.plot(t, seen.power_w, color=OUT, linewidth=0.7)
        top.set_ylabel("W")
        middle.plot(t, seen.lowest_cell_v, color=INK, linewidth=0.7)
        middle.axhline(d.flight.policy.min_cell_v, color=WARN, linewidth=1.0)
        middle.set_ylabel("V, lowest cell")
        low.plot(t, seen.temperature_c, color=HOME, linewidth=1.2)
        low.set_ylabel("°C")
        low.set_xlabel("minutes after take-off")
        for axes in (top, middle, low):
            _grid(axes)
        return to_svg(figure)


def _grid(axes: Any, axis: str = "both") -> None:
    axes.grid(axis=axis, color=GRID, linewidth=0.6)
    axes.set_axisbelow(True)


def _minutes(d: Debrief, t_s: float) -> float:
    return (t_s - d.flown.take_off_s) / 60.0


def _end_s(d: Debrief) -> float:
    landed = d.flown.landing_s
    if landed == landed:
        return landed
    last = d.flown.blocks[-1]
    return last.t_s + last.seconds
