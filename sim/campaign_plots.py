"""The campaign in one picture: operating curves, every flight, calibration."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from typing import Any

from sim.campaign import Record

Row = dict[str, Any]
RULE_COLOURS = {
    "fixed-percentage": "tab:orange",
    "distance-proportional": "tab:blue",
    "average-consumption": "tab:purple",
}
LATE_PERCENT = 40.0  # as far as the operating curves are drawn


def draw(table: Row, records: Sequence[Record]) -> bytes:
    """A PNG: operating curve by median and by 5th percentile, efficiency, what the spreads held."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(2, 2, figsize=(12, 9), constrained_layout=True)
    _operating(axes[0, 0], table, "efficiency_p50", "median")
    _operating(axes[0, 1], table, "efficiency_p05", "5th percentile")
    _efficiency(axes[1, 0], records)
    _spreads(axes[1, 1], records)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=110)
    plt.close(figure)
    return buffer.getvalue()


def _operating(axis: Any, table: Row, figure: str, title: str) -> None:
    """Late rate against time used: the confidence swept, and each rule's threshold."""
    for name, curve in table["rule_curves"].items():
        late, used = _percent(curve, figure)
        axis.plot(late, used, color=RULE_COLOURS.get(name, "0.5"), linewidth=1.3, label=name)
    ours = table["operating_curve"]
    late, used = _percent(ours, figure)
    axis.plot(late, used, "ko-", linewidth=1.5, markersize=5, label="homeleg")
    for row, x, y in zip(ours, late, used, strict=True):
        low, high = (100.0 * end for end in row["late_rate_interval"])
        axis.plot([low, high], [y, y], color="0.6", linewidth=0.8, zorder=1)
        note = f"{100 * row['confidence']:g} %"
        axis.annotate(note, (x, y), xytext=(5, -9), textcoords="offset points", fontsize=7)
    for name, mark in (("bound", "g*"), ("clairvoyant", "rD")):
        row = table[name]
        if row and row["flights"]:
            label = "perfect knowledge" if name == "bound" else name
            axis.plot(100.0 * row["late_rate"], 100.0 * row[figure], mark, ms=9, label=label)
    axis.set(xlim=(-1, LATE_PERCENT), ylim=(0, 103))
    axis.set(xlabel="late alerts [%]", ylabel=f"time used of T*, {title} [%]")
    axis.set_title(f"operating curve, {title} (grey: 95 % interval)", fontsize=10)
    axis.grid(alpha=0.25)
    axis.legend(fontsize=7, loc="lower right")


def _percent(curve: Sequence[Row], figure: str) -> tuple[list[float], list[float]]:
    """(late rate, efficiency) in per cent; points without flights are left out."""
    good = [row for row in curve if row[figure] is not None]
    return [100.0 * r["late_rate"] for r in good], [100.0 * r[figure] for r in good]


def _efficiency(axis: Any, records: Sequence[Record]) -> None:
    known = [r for r in records if r.t_star_s is not None and math.isfinite(r.t_star_s)]
    stars = [(r.t_star_s or 0.0) / 60.0 for r in known]
    alerts = [min(r.alert_s / 60.0, 1.2 * s) for r, s in zip(known, stars, strict=True)]
    axis.scatter(stars, alerts, s=9, color="k", label="alert")
    top = max([*stars, 1.0])
    axis.plot([0, top], [0, top], "r-", linewidth=1, label="T*")
    axis.set(xlabel="T* [min]", ylabel="alert [min]")
    axis.set_title("every flight: below the line is in time", fontsize=10)
    axis.grid(alpha=0.25)
    axis.legend(fontsize=7)


def _spreads(axis: Any, records: Sequence[Record]) -> None:
    """Where the truth lay in the published P5..P95 of landing energy: 0 at P5, 1 at P95."""
    places = [
        (truth - p05) / max(p95 - p05, 1e-9)
        for record in records
        for name, _, p05, _, p95, truth in record.checks
        if name == "landing_energy_wh"
    ]
    axis.hist([min(max(p, -1.0), 2.0) for p in places], bins=30, color="0.5")
    axis.axvspan(0.0, 1.0, color="tab:green", alpha=0.15)
    axis.set(xlabel="truth within P5 (0) .. P95 (1) of landing energy", ylabel="checks")
    axis.set_title("calibration: nine in ten belong in the green", fontsize=10)
