"""The campaign on one page; its flights as Parquet, or as CSV where pyarrow is not installed."""

from __future__ import annotations

import base64
import csv
import html
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sim.campaign import Record

Row = dict[str, Any]
COLUMNS = (
    "scenario", "seed", "stretched", "t_star_s", "bound_s", "reaction_s", "alert_s", "soon_s",
    "airborne_s", "nameplate_wh", "reserve_wh", "fault_s", "warnings", "looks", "swept",
)  # fmt: skip
CHECK_COLUMNS = ("scenario", "seed", "quantity", "t_s", "p05", "p50", "p95", "truth")


def flight_rows(records: Sequence[Record]) -> list[Row]:
    """One row a flight: times in seconds of the flight, seed as flown."""
    names = sorted({name for r in records for name in r.alerts}, key=float)
    return [
        {name: getattr(record, name) for name in COLUMNS}
        | {f"alert_at_{name}_s": record.alerts.get(name, math.inf) for name in names}
        for record in records
    ]


def check_rows(records: Sequence[Record]) -> list[Row]:
    """One row for each published spread that was held against the truth."""
    return [
        dict(zip(CHECK_COLUMNS, (record.scenario, record.seed, *check), strict=True))
        for record in records
        for check in record.checks
    ]


def write_tables(records: Sequence[Record], folder: Path) -> list[Path]:
    """``flights`` and ``checks``, as Parquet where pyarrow is installed, else as CSV."""
    tables = {"flights": flight_rows(records), "checks": check_rows(records)}
    return [_write(rows, folder / name) for name, rows in tables.items() if rows]


def _write(rows: list[Row], stem: Path) -> Path:
    try:
        from pyarrow import Table, parquet
    except ImportError:
        return _write_csv(rows, stem.with_suffix(".csv"))
    path = stem.with_suffix(".parquet")
    parquet.write_table(Table.from_pylist(rows), path)
    return path


def _write_csv(rows: list[Row], path: Path) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


def page(table: Row, picture: bytes | None, settings: Row) -> str:
    """The HTML page, complete in itself; without a picture when matplotlib is not installed."""
    head = {k: v for k, v in table.items() if not isinstance(v, dict | list)}
    head["late_rate_interval"] = table["late_rate_interval"]
    blocks = [
        _block("result", head),
        _rows("operating curve: the policy's confidence swept", table["operating_curve"]),
        _rows("simple rules at the same late rate", _named(table["baselines"])),
        _rows("simple rules late in at most 5 %", _named(table["baselines_at_5_percent"])),
        _rows("bounds", _named({k: table[k] for k in ("clairvoyant", "bound")})),
        _rows("coverage of P5..P95", _named(table["coverage_p05_p95"])),
        _block("published verification: alarm 2 to 3 min before", table["verification_2_3_min"]),
        _rows("by scenario", _named(table["by_scenario"])),
        _block("settings", settings),
    ]
    body = "\n".join(blocks)
    return (
        "<!doctype html><html lang='en'><meta charset='utf-8'><title>Homeleg campaign</title>"
        "<meta name='viewport' content='width=device-width'>"
        "<style>body{font:14px system-ui;margin:2em;max-width:75em}table{border-collapse:collapse}"
        "td,th{border-bottom:1px solid #ccc;padding:.2em .7em;text-align:right}"
        "th:first-child,td:first-child{text-align:left}img{max-width:100%}"
        "div{overflow-x:auto}</style>"
        "<h1>Campaign</h1><p>Simulated flights only. Homeleg advises; the remote pilot decides.</p>"
        f"{_image(picture)}{body}</html>"
    )


def _image(picture: bytes | None) -> str:
    if picture is None:
        return "<p>No pictures: the campaign extra (matplotlib) is not installed.</p>"
    data = base64.b64encode(picture).decode()
    alt = "operating curves by median and 5th percentile, every flight, calibration"
    return f"<img alt='{alt}' src='data:image/png;base64,{data}'>"


def _named(rows: Row) -> list[Row]:
    return [{"name": name, **row} for name, row in rows.items() if row]


def _block(title: str, values: Row) -> str:
    lines = "".join(
        f"<tr><td>{html.escape(k)}</td><td>{html.escape(_text(v))}</td></tr>"
        for k, v in values.items()
    )
    return f"<h2>{html.escape(title)}</h2><div><table>{lines}</table></div>"


def _rows(title: str, rows: Sequence[Row]) -> str:
    if not rows:
        return f"<h2>{html.escape(title)}</h2><p>nothing to show</p>"
    names = list(dict.fromkeys(name for row in rows for name in row))
    head = "".join(f"<th>{html.escape(n)}</th>" for n in names)
    lines = "".join(
        "<tr>" + "".join(f"<td>{html.escape(_text(row.get(n)))}</td>" for n in names) + "</tr>"
        for row in rows
    )
    return f"<h2>{html.escape(title)}</h2><div><table><tr>{head}</tr>{lines}</table></div>"


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
