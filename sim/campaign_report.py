"""The campaign on one page: table and pictures, and the records as CSV."""

from __future__ import annotations

import base64
import csv
import html
import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sim.campaign import Record

Row = dict[str, Any]
COLUMNS = (
    "scenario", "seed", "stretched", "t_star_s", "bound_s", "alert_s", "soon_s", "airborne_s",
    "reserve_wh", "fault_s", "warnings", "looks",
)  # fmt: skip


def write_csv(records: Sequence[Record], path: Path) -> None:
    """One row a flight: times in seconds, seeds as flown."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow([*COLUMNS, *(f"alert_at_{c}" for c in _confidences(records))])
        for record in records:
            alerts = [record.alerts.get(c, math.inf) for c in _confidences(records)]
            writer.writerow([*(getattr(record, name) for name in COLUMNS), *alerts])


def _confidences(records: Sequence[Record]) -> list[str]:
    return sorted({name for r in records for name in r.alerts}, key=float)


def draw(table: Row, records: Sequence[Record]) -> bytes:
    """A PNG: operating curve, efficiency by flight, what the spreads held."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(1, 3, figsize=(15, 4.6), constrained_layout=True)
    _operating(axes[0], table)
    _efficiency(axes[1], records)
    _spreads(axes[2], records)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=110)
    plt.close(figure)
    return buffer.getvalue()


def _operating(axis: Any, table: Row) -> None:
    for name, curve in table["rule_curves"].items():
        good = [row for row in curve if row["efficiency_p50"] is not None]
        axis.plot(
            [100 * row["late_rate"] for row in good],
            [100 * row["efficiency_p50"] for row in good],
            linewidth=1.2,
            label=name,
        )
    ours = table["operating_curve"]
    late = [100 * row["late_rate"] for row in ours]
    axis.plot(late, [100 * row["efficiency_p50"] for row in ours], "ko-", label="homeleg, median")
    axis.plot(late, [100 * row["efficiency_p05"] for row in ours], "k^:", label="homeleg, 5 %")
    for row in ours:
        spot = (100 * row["late_rate"], 100 * row["efficiency_p50"])
        axis.annotate(f"{100 * row['confidence']:g} %", spot, fontsize=7)
    bound = table["bound"]
    if bound:
        axis.plot(
            [100 * bound["late_rate"]], [100 * bound["efficiency_p50"]], "g*", markersize=12,
            label="perfect knowledge",
        )  # fmt: skip
    axis.set(xlim=(-1, 40), ylim=(0, 102), xlabel="late alerts [%]", ylabel="time used of T* [%]")
    axis.set_title("operating curve", fontsize=10)
    axis.legend(fontsize=7, loc="lower right")


def _known(records: Sequence[Record]) -> list[Record]:
    return [r for r in records if r.t_star_s is not None and math.isfinite(r.t_star_s)]


def _efficiency(axis: Any, records: Sequence[Record]) -> None:
    known = _known(records)
    stars = [(r.t_star_s or 0.0) / 60.0 for r in known]
    alerts = [min(r.alert_s / 60.0, 1.2 * s) for r, s in zip(known, stars, strict=True)]
    axis.scatter(stars, alerts, s=9, color="k", label="alert")
    top = max([*stars, 1.0])
    axis.plot([0, top], [0, top], "r-", linewidth=1, label="T*")
    axis.set(xlabel="T* [min]", ylabel="alert [min]")
    axis.set_title("every flight: below the line is in time", fontsize=10)
    axis.legend(fontsize=7)


def _spreads(axis: Any, records: Sequence[Record]) -> None:
    """Where the truth lay in the published P5..P95 of landing energy: 0 at P5, 1 at P95."""
    places = [
        (truth - p05) / max(p95 - p05, 1e-9)
        for record in records
        for name, p05, _, p95, truth in record.checks
        if name == "landing_energy_wh"
    ]
    axis.hist([min(max(p, -1.0), 2.0) for p in places], bins=30, color="0.5")
    axis.axvspan(0.0, 1.0, color="tab:green", alpha=0.15)
    axis.set(xlabel="truth within P5 (0) .. P95 (1) of landing energy", ylabel="checks")
    axis.set_title("calibration", fontsize=10)


def page(table: Row, picture: bytes, settings: Row) -> str:
    """The HTML page, complete in itself."""
    image = base64.b64encode(picture).decode()
    head = {k: v for k, v in table.items() if not isinstance(v, dict | list)}
    blocks = [_block("settings", settings), _block("result", head)]
    blocks += [_rows("operating curve", table["operating_curve"])]
    blocks += [_rows("simple rules at the same late rate", _named(table["baselines"]))]
    blocks += [_rows("bounds", _named({k: table[k] for k in ("clairvoyant", "bound")}))]
    blocks += [_rows("coverage of P5..P95", _named(table["coverage_p05_p95"]))]
    blocks += [_rows("by scenario", _named(table["by_scenario"]))]
    body = "\n".join(blocks)
    return (
        "<!doctype html><html lang='en'><meta charset='utf-8'><title>Homeleg campaign</title>"
        "<style>body{font:14px system-ui;margin:2em;max-width:75em}table{border-collapse:collapse}"
        "td,th{border-bottom:1px solid #ccc;padding:.2em .7em;text-align:right}"
        "th:first-child,td:first-child{text-align:left}img{max-width:100%}</style>"
        "<h1>Campaign</h1><p>Simulated flights only. Homeleg advises; the remote pilot decides.</p>"
        f"<img alt='operating curve, efficiency, calibration' src='data:image/png;base64,{image}'>"
        f"{body}</html>"
    )


def _named(rows: Row) -> list[Row]:
    return [{"name": name, **row} for name, row in rows.items() if row]


def _block(title: str, values: Row) -> str:
    lines = "".join(
        f"<tr><td>{html.escape(k)}</td><td>{html.escape(_text(v))}</td></tr>"
        for k, v in values.items()
    )
    return f"<h2>{html.escape(title)}</h2><table>{lines}</table>"


def _rows(title: str, rows: Sequence[Row]) -> str:
    if not rows:
        return f"<h2>{html.escape(title)}</h2><p>nothing to show</p>"
    names = list(dict.fromkeys(name for row in rows for name in row))
    head = "".join(f"<th>{html.escape(n)}</th>" for n in names)
    lines = "".join(
        "<tr>" + "".join(f"<td>{html.escape(_text(row.get(n)))}</td>" for n in names) + "</tr>"
        for row in rows
    )
    return f"<h2>{html.escape(title)}</h2><table><tr>{head}</tr>{lines}</table>"


def _text(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list):
        return " .. ".join(_text(v) for v in value)
    return "" if value is None else str(value)


def plain(value: Any) -> Any:
    """The same without infinities and not-a-numbers, which JSON does not know."""
    if isinstance(value, dict):
        return {k: plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
