"""What if: a flight file with some of its values changed, without editing it.

``policy.confidence=0.9``, ``pack.capacity_ah=17.5``, ``aircraft.measured_hover.power_w=1700``;
the value is written as in TOML. A wind forecast is short: ``wind=270/8`` holds everywhere,
``wind=270/8,290/12`` an hour apart.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from supervisor import messages
from supervisor.core.plan import Flight
from supervisor.errors import InputError
from supervisor.flightfile import to_flight, validated

WIND_HEIGHT_M = 100.0


def changed_flight(text: str, changes: Iterable[str], folder: Path, where: str) -> Flight:
    """The flight of the file ``text`` with ``changes`` applied; refused as the file would be."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(where, f"is not TOML: {error}") from None
    for change in changes:
        _apply(data, change)
    return to_flight(validated(data, f"{where}, changed"), folder, where)


def first_times(
    advisories: Iterable[messages.Advisory],
) -> dict[tuple[str, str], float]:
    """When each condition first reached each level [s]."""
    times: dict[tuple[str, str], float] = {}
    for a in advisories:
        if a.level != "normal":
            times.setdefault((a.condition, a.level), a.t)
    return times


def compared(
    flown: Iterable[messages.Advisory], changed: Iterable[messages.Advisory]
) -> list[tuple[str, str, float | None, float | None]]:
    """(condition, level, first time as flown, first time if): what a change would have moved."""
    before, after = first_times(flown), first_times(changed)
    keys = sorted({*before, *after}, key=lambda k: min(t[k] for t in (before, after) if k in t))
    return [(*key, before.get(key), after.get(key)) for key in keys]


def _apply(data: dict[str, Any], change: str) -> None:
    key, sign, value = change.partition("=")
    if not sign or not key.strip():
        raise InputError(
            "--what-if", f"{change!r}", allowed="KEY=VALUE, such as pack.capacity_ah=18"
        )
    if key.strip() == "wind":
        data.setdefault("weather", {})["wind"] = _wind_rows(value)
        return
    *sections, last = key.strip().split(".")
    table = data
    for name in sections:
        table = table.setdefault(name, {})
        if not isinstance(table, dict):
            raise InputError("--what-if", f"{key.strip()}: {name} is not a table")
    if last == "final_reserve" or not isinstance(table.get(last), dict):
        table[last] = _value(value)
        return
    raise InputError("--what-if", f"{key.strip()} is a table", allowed="one of its keys")


def _value(text: str) -> Any:
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text.strip()  # a bare word is meant as a string


def _wind_rows(text: str) -> list[dict[str, float]]:
    rows = []
    for hour, part in enumerate(text.split(",")):
        try:
            from_deg, speed = (float(word) for word in part.split("/"))
        except ValueError:
            raise InputError(
                "--what-if", f"wind={text}", allowed="FROM_DEG/SPEED_MPS[,...]"
            ) from None
        rows.append({
            "after_h": float(hour), "height_m": WIND_HEIGHT_M, "from_deg": from_deg,
            "speed_mps": speed,
        })  # fmt: skip
    return rows
