"""The budget for machines: degrees at this edge, everything else in SI and Wh, units in names."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import Any

from supervisor.budget.answer import Budget, PointOnPlan
from supervisor.budget.text import ADVICE

SCHEMA = 1
DIGITS = 6  # significant; a reader that compares runs wants no noise beyond


def to_json(budget: Budget) -> str:
    """Indented JSON, one document. Infinite and unknown values are null."""
    return json.dumps(_clean(as_dict(budget)), ensure_ascii=False, indent=1)


def as_dict(b: Budget) -> dict[str, Any]:
    """The document before rounding."""
    policy = b.flight.policy
    return {
        "schema": SCHEMA,
        "flight": b.flight.name,
        "aircraft": b.flight.aircraft.aircraft_id,
        "verdict": b.verdict.value,
        "reasons": list(b.reasons),
        "conditions": list(b.conditions),
        "caution": ADVICE,
        "findings": [
            {"weight": f.weight.value, "what": f.what, "sentence": f.sentence} for f in b.findings
        ],
        "guessed": list(b.flight.guessed),
        "learned": {
            "aircraft": b.prior.power is not None,
            "pack": b.prior.pack is not None,
        },
        "policy": asdict(policy),
        "pack": {
            "nameplate_wh": b.flight.pack.nameplate_wh,
            "take_off_wh": b.today_wh,
            "cell": b.flight.pack.cell.name,
            "cell_source": b.flight.pack.cell.source,
        },
        "performance": asdict(b.performance),
        "duration_s": b.duration_s,
        "distance_m": b.distance_m,
        "landing_wh": b.landing_wh,
        "landing_hover_cell_v": b.hover_v,
        "chances": asdict(b.chances),
        "ledger_wh": dict(b.ledger_wh),
        "legs": [asdict(row) for row in b.rows],
        "returns": [asdict(turn) for turn in b.turns],
        "turn_back": {
            "on_paper": _point(b.turn_back_paper),
            "at_confidence": _point(b.turn_back_safe),
            "confidence": policy.confidence,
            "spread_s": asdict(b.numbers.turn_back_s),
        },
        "equal_time_point": None if b.equal_time_beyond else _point(b.equal_time),
        "pack_empty": _point(b.empty_at),
        "sensitivity": [asdict(v) for v in b.sensitivity],
        "measures": [asdict(v) for v in b.measures],
    }


def _point(p: PointOnPlan | None) -> dict[str, Any] | None:
    if p is None:
        return None
    return {
        "after_s": p.after_s,
        "along_m": p.along_m,
        "lat_deg": math.degrees(p.lat_rad),
        "lon_deg": math.degrees(p.lon_rad),
        "distance_home_m": p.distance_home_m,
        "leg": p.leg,
    }


def _clean(value: Any, key: str = "") -> Any:
    """Round floats, and turn what JSON has no word for into null. Positions keep 1e-7 degrees."""
    if isinstance(value, dict):
        return {k: _clean(v, k) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(v, key) for v in value]
    if isinstance(value, float):
        if not math.isfinite(value):
            return None
        return round(value, 7) if key.endswith("_deg") else float(f"{value:.{DIGITS}g}")
    return value
