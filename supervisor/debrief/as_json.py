"""The debrief for machines: one JSON object, SI, Wh, seconds since the first frame."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import Any

from supervisor.debrief import words
from supervisor.debrief.answer import Debrief

SCHEMA = 1


def to_json(d: Debrief) -> str:
    """The whole answer."""
    return json.dumps(_clean(to_dict(d)), indent=2, allow_nan=False)


def to_dict(d: Debrief) -> dict[str, Any]:
    """As plain values; unknown figures are NaN here."""
    names = d.legs
    return {
        "schema_version": SCHEMA,
        "flight": d.flight.name,
        "aircraft": d.flight.aircraft.aircraft_id,
        "pack_id": d.flight.pack.pack_id,
        "headline": words.headline(d),
        "replayed": d.replayed,
        "cautions": list(d.cautions),
        "take_off_s": d.flown.take_off_s,
        "turn_s": d.flown.turn_s,
        "landing_s": d.flown.landing_s,
        "final_reserve_wh": d.flight.policy.final_reserve_wh,
        "planned_landing_wh": d.plan.landing_wh,
        "landing_wh": d.landing_wh,
        "landing_range_wh": [d.landing.low_wh, d.landing.high_wh],
        "above_reserve_wh": d.above_reserve_wh,
        "difference_wh": d.difference_wh,
        "causes_wh": d.causes.total_wh,
        "causes_by_leg_wh": {
            names[min(leg, len(names) - 1)]: row for leg, row in sorted(d.causes.by_leg_wh.items())
        },
        "delivered_wh": d.pack.delivered_wh,
        "planned_delivered_wh": d.plan.energy_wh(),
        "ledger": [asdict(line) for line in d.lines],
        "forecast": {"quality": asdict(d.quality), "points": [asdict(f) for f in d.foreseen]},
        "advisories": [asdict(e) for e in d.events],
        "wind_by_height": [asdict(w) for w in d.winds],
        "pack": asdict(d.pack),
        "turn_back": asdict(d.turn_back),
    }


def _clean(value: Any) -> Any:
    """Six digits, and null for what is not known."""
    if isinstance(value, dict):
        return {k: _clean(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(v) for v in value]
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value
