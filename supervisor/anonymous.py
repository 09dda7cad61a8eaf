"""Strip positions from a recording, so that it can be shared: the flight, moved elsewhere.

Home is moved to 0 N 30 W, in the open ocean, and everything with it: the map stays as it was to a
few metres in a hundred kilometres, and the recording still replays. Frames that carry positions or
free text and are not needed by the core are left out; so are statuses and advisories, which a
replay makes again. Names in the flight file become numbers. Heights, times, wind, aircraft and pack
figures stay: they are what is shared.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from supervisor.core.geodesy import LocalMap
from supervisor.core.plan import Flight
from supervisor.edge import wire
from supervisor.edge.frames import Frame, build, read_frame
from supervisor.edge.recorder import MAVLINK
from supervisor.edge.recording import Entry, Recording
from supervisor.flightinside import BESIDE, TEXT
from supervisor.flightroute import first_line

NEW_HOME_RAD = (0.0, math.radians(-30.0))
KEPT = {
    wire.HEARTBEAT, wire.SYS_STATUS, wire.SYSTEM_TIME, wire.SCALED_PRESSURE, wire.ATTITUDE,
    wire.MISSION_CURRENT, wire.VFR_HUD, wire.BATTERY_STATUS, wire.WIND_COV,
    wire.EXTENDED_SYS_STATE, wire.RADIO_STATUS,
}  # fmt: skip
MOVED = {
    wire.GLOBAL_POSITION_INT: ("lat", "lon"),
    wire.GPS_RAW_INT: ("lat", "lon"),
    wire.HOME_POSITION: ("latitude", "longitude"),
}
E7 = 1e7
_PAIR = re.compile(
    r"(?P<lat>lat_deg\s*=\s*)(?P<a>[-+0-9.]+)(?P<mid>[\s,]*(?:#[^\n]*)?\s*lon_deg\s*=\s*)"
    r"(?P<b>[-+0-9.]+)"
)
_NAME = re.compile(r'(\bname\s*=\s*)"[^"]*"')
_REFERENCE = re.compile(r'^(\s*alternate\s*=\s*)"([^"]*)"', re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Mover:
    """From the map around one home to the map around another."""

    old: LocalMap
    new: LocalMap

    @classmethod
    def of(cls, flight: Flight) -> Mover:
        """For the home of ``flight``."""
        return cls(LocalMap(flight.home.lat_rad, flight.home.lon_rad), LocalMap(*NEW_HOME_RAD))

    def degrees(self, lat_deg: float, lon_deg: float) -> tuple[float, float]:
        """A place, moved."""
        place = self.old.to_map(math.radians(lat_deg), math.radians(lon_deg))
        lat, lon = self.new.to_place(*place)
        return math.degrees(lat), math.degrees(lon)


def stripped(recording: Recording, mover: Mover) -> Iterator[Entry]:
    """The frames that may be shared, moved; and acknowledgements without their person."""
    for topic, t_ns, data in recording.messages({MAVLINK}):
        frame = read_frame(data)
        if frame is None:
            continue
        kept = _moved(frame, mover)
        if kept is not None:
            yield topic, t_ns, kept


def _moved(frame: Frame, mover: Mover) -> bytes | None:
    if frame.msgid in KEPT:
        return _unsigned(frame, frame.payload)
    names = MOVED.get(frame.msgid)
    if names is None:
        return None
    fields = wire.named(frame.msgid, frame.payload)
    lat, lon = fields[names[0]], fields[names[1]]
    if lat or lon:  # 0, 0 is "no fix" and stays so
        moved = mover.degrees(lat / E7, lon / E7)
        fields |= {name: round(v * E7) for name, v in zip(names, moved, strict=True)}
    for name in ("x", "y", "z", "approach_x", "approach_y", "approach_z", "alt_ellipsoid"):
        if name in fields:  # a geoid height, too, tells where
            fields[name] = 0
    return _unsigned(frame, wire.pack(frame.msgid, **fields))


def _unsigned(frame: Frame, payload: bytes) -> bytes:
    return build(
        frame.msgid, payload, sysid=frame.sysid, compid=frame.compid, seq=frame.seq, signed=False
    )


def stripped_metadata(metadata: dict[str, str], mover: Mover) -> dict[str, str]:
    """The flight file with every place moved and every name a number; who and where left out."""
    plain = ("flight", "version", "forecast", "seed", "prior")
    kept = {k: v for k, v in metadata.items() if k in plain}
    text = metadata.get(TEXT, "")
    for name, inside in ((k.removeprefix(BESIDE), v) for k, v in metadata.items() if BESIDE in k):
        route = name.endswith("json")
        plain_name = "route.geojson" if route else "curve.csv"
        kept[BESIDE + plain_name] = moved_route(inside, mover) if route else inside
        text = text.replace(f'"{name}"', f'"{plain_name}"')
    if text:
        kept[TEXT] = stripped_flight_file(text, mover)
    return kept


def moved_route(text: str, mover: Mover) -> str:
    """The line of a GeoJSON text that a flight file flies along, moved, and nothing else of it."""
    moved = []
    for lon_deg, lat_deg, *height in first_line(text):
        lat, lon = mover.degrees(float(lat_deg), float(lon_deg))
        moved.append([round(lon, 7), round(lat, 7), *height])
    return json.dumps({"type": "LineString", "coordinates": moved})


def _without_comment(line: str) -> str:
    """A line up to its #, unless that stands in a string."""
    quote = ""
    for at, sign in enumerate(line):
        if quote:
            quote = "" if sign == quote else quote
        elif sign in "\"'":
            quote = sign
        elif sign == "#":
            return line[:at].rstrip()
    return line


def stripped_flight_file(text: str, mover: Mover) -> str:
    """Comments go too: people write places into them."""
    text = "\n".join(_without_comment(line) for line in text.splitlines()) + "\n"

    def move(pair: re.Match[str]) -> str:
        lat, lon = mover.degrees(float(pair["a"]), float(pair["b"]))
        return f"{pair['lat']}{lat:.7f}{pair['mid']}{lon:.7f}"

    numbers: dict[str, str] = {}

    def rename(found: re.Match[str]) -> str:
        old = found[0].split('"')[1]
        numbers.setdefault(old, f"place {len(numbers) + 1}")
        return f'{found[1]}"{numbers[old]}"'

    text = _NAME.sub(rename, _PAIR.sub(move, text))
    return _REFERENCE.sub(lambda m: f'{m[1]}"{numbers.get(m[2], m[2])}"', text)
