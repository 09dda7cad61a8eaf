"""What is heard of the aircraft, judged: are all messages there, often enough, and believable?

The same judgement stands behind ``homeleg doctor`` and behind the gate on the health topic, which
the daemon keeps up while it runs. Frames are only counted as they come; values are looked at when
somebody asks.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from supervisor.core import events
from supervisor.core.plan import Flight, Site
from supervisor.doctor.finding import Finding, bad, doubt, good
from supervisor.edge import wire
from supervisor.edge.decoder import Decoder
from supervisor.edge.frames import Frame

SILENT_S = 5.0  # a heartbeat comes every second: after so many without any frame nothing is heard
WINDOW_S = 10.0  # rates are counted over the last one or two of these
# Least rates, Hz. Ours: below them the belief lags more than a look (2 s) behind the aircraft.
NEEDED_HZ = {
    wire.HEARTBEAT: 0.5,
    wire.GLOBAL_POSITION_INT: 1.0,
    wire.VFR_HUD: 1.0,
    wire.BATTERY_STATUS: 0.5,
    wire.EXTENDED_SYS_STATE: 0.3,
    wire.GPS_RAW_INT: 0.3,
}
WISHED_HZ = {
    wire.ATTITUDE: 0.5,
    wire.SYSTEM_TIME: 0.2,
    wire.SCALED_PRESSURE: 0.2,
    wire.MISSION_CURRENT: 0.2,
    wire.WIND_COV: 0.2,
}
WITHOUT = {
    wire.ATTITUDE: "turns are guessed",
    wire.SYSTEM_TIME: "advisories carry no date, restarts of the autopilot are noticed later",
    wire.SCALED_PRESSURE: "air density is guessed from the height",
    wire.MISSION_CURRENT: "the next waypoint is guessed from the position",
    wire.WIND_COV: "the wind is estimated from the wind triangle alone",
}
ASKED = "it was asked for and stays away: set its stream rate on the autopilot's port"
UNASKED = "set request_rates = true in the daemon file, or have the autopilot stream it"
NEAR_HOME_M, HOME_SLACK_M, HEIGHT_SLACK_M = 500.0, 100.0, 60.0
EARTH_M = 6_371_009.0  # mean radius, IUGG
FEW_SATELLITES = 8  # ours: below it a fix is easily lost in a bank


@dataclass(slots=True)
class _Count:
    """One message's count in this window and the last."""

    now: int = 0
    before: int = 0
    last: Frame | None = None


class Hearing:
    """Counts the aircraft's frames; :meth:`findings` judges them against the flight.

    ``asks``: the autopilot is asked for the rates that are needed (the daemon's request_rates).
    """

    def __init__(self, *, asks: bool) -> None:
        self._rate_fix = ASKED if asks else UNASKED
        self._heard_s = -math.inf
        self._counts: dict[int, _Count] = {}
        self._began_s = math.nan  # of the windows; NaN before the first frame
        self._turned_s = math.nan

    def frame(self, frame: Frame, t_s: float) -> None:
        """One good frame of the aircraft."""
        if not self._counts:
            self._began_s = self._turned_s = t_s
        elif t_s - self._turned_s > WINDOW_S:
            self._turn(t_s)
        count = self._counts.get(frame.msgid)
        if count is None:
            count = self._counts[frame.msgid] = _Count()
        count.now += 1
        count.last = frame
        self._heard_s = t_s

    def silent(self, t_s: float) -> bool:
        """Whether nothing at all comes from the aircraft."""
        return t_s - self._heard_s > SILENT_S

    def rate_hz(self, msgid: int, t_s: float) -> float:
        """How often a message came in the last 10 to 20 s."""
        if t_s - self._turned_s > WINDOW_S:
            self._turn(t_s)
        count = self._counts.get(msgid, _Count())
        return (count.now + count.before) / max(t_s - self._began_s, 1.0)

    def observations(self, t_s: float) -> list[events.Observation]:
        """The last of each message, decoded; the pack's cells before its mere totals."""
        decoder = Decoder()
        frames = [count.last for count in self._counts.values() if count.last is not None]
        frames.sort(key=lambda frame: frame.msgid != wire.BATTERY_STATUS)
        for frame in frames:  # but a report without room for all cells leans on the totals
            if frame.msgid == wire.SYS_STATUS:
                decoder.decode(frame, t_s)
        seen = (decoder.decode(frame, t_s) for frame in frames)
        return [observation for observation in seen if observation is not None]

    def findings(self, flight: Flight, t_s: float) -> list[Finding]:
        """Everything about the telemetry, worst news included."""
        if not self._counts:
            fix = "is it on, is the link's address or baud right, is its port set up?"
            return [bad("heartbeat", "nothing is heard from the autopilot", fix)]
        if self.silent(t_s):
            fix = "is it still on, are cable or radio in place?"
            return [bad("heartbeat", "nothing is heard from the autopilot any more", fix)]
        found = [*self._rates(t_s)]
        for observation in self.observations(t_s):
            found += believable(observation, flight)
        return found

    def _turn(self, t_s: float) -> None:
        late = t_s - self._turned_s > 2.0 * WINDOW_S  # nothing at all came in the meantime
        self._began_s = t_s - WINDOW_S if late else self._turned_s
        self._turned_s = t_s
        for count in self._counts.values():
            count.before, count.now = (0 if late else count.now), 0

    def _rates(self, t_s: float) -> Iterator[Finding]:
        for msgid, least_hz in NEEDED_HZ.items():
            name, hz = wire.ROWS[msgid].name, self.rate_hz(msgid, t_s)
            check = "heartbeat" if msgid == wire.HEARTBEAT else f"rate of {name}"
            if hz >= least_hz:
                yield good(check, f"{name} {hz:.1f} a second")
            elif msgid == wire.BATTERY_STATUS and self.rate_hz(wire.SYS_STATUS, t_s) >= 0.3:
                says = "no BATTERY_STATUS, only the pack's totals: the weakest cell is not seen"
                yield doubt(check, says, "have the autopilot send BATTERY_STATUS")
            else:
                yield bad(check, f"{name} {hz:.2f} a second, {least_hz:g} needed", self._rate_fix)
        for msgid, least_hz in WISHED_HZ.items():
            name, hz = wire.ROWS[msgid].name, self.rate_hz(msgid, t_s)
            if hz < least_hz:
                says = f"{name} does not come often enough: {WITHOUT[msgid]}"
                yield doubt(f"rate of {name}", says, self._rate_fix)


# --- values ------------------------------------------------------------------------------------


def believable(observation: events.Observation, flight: Flight) -> Iterable[Finding]:
    """What one value says on the ground, against the flight file; silent where all is usual."""
    match observation:
        case events.Position():
            return _position(observation, flight)
        case events.PackReport():
            return _pack(observation, flight)
        case events.GpsQuality():
            return _gps(observation)
        case events.AirData():
            return _air(observation, flight)
        case events.HomeFix(lat_rad=lat, lon_rad=lon):
            return _home(_apart_m(lat, lon, flight.home))
        case events.ClockFix(unix_s=unix_s) if math.isnan(unix_s):
            return [doubt("date", "the autopilot does not know the date yet", "wait for GPS")]
        case _:
            return []


def _position(at: events.Position, flight: Flight) -> Iterator[Finding]:
    off_m = _apart_m(at.lat_rad, at.lon_rad, flight.home)
    if off_m > NEAR_HOME_M:
        says = f"the aircraft is {_length(off_m)} from the flight file's home"
        yield bad("position", says, "load the flight file of this place, or mend [home]")
    else:
        yield good("position", f"{_length(off_m)} from home")
    high_m = at.alt_m - flight.home.elevation_m
    if abs(high_m) > HEIGHT_SLACK_M:
        says = f"the aircraft says {at.alt_m:.0f} m, home is given as {_high(flight.home)}"
        yield doubt("elevation", says, "feet for metres, or height above the ellipsoid?")


def _pack(report: events.PackReport, flight: Flight) -> Iterator[Finding]:
    series, cell = flight.pack.series, flight.pack.cell
    if math.isnan(report.pack_v):
        yield bad("pack voltage", "the autopilot reports none", "set its battery monitor up")
        return
    cells = len(report.cell_v)
    if 0 < cells < series and report.pack_v > sum(report.cell_v) * (1.0 + 0.5 / cells):
        says = f"only {cells} of {series} cells are reported: a weak one among the rest is not seen"
        yield doubt("cells", says, "set the link to MAVLink 2, which has room for 14 cells")
    elif cells and cells != series:
        says = f"{cells} cells are reported, the flight file has {series} in series"
        yield bad("cells", says, "mend [pack] series, or take the pack that the file means")
    each_v = report.pack_v / series
    if not 0.95 * cell.ocv_v[0] <= each_v <= cell.max_v + 0.05:
        says = f"{report.pack_v:.1f} V over {series} cells is {each_v:.2f} V each"
        yield bad("pack voltage", says, "mend [pack] series, or the monitor's voltage scale")
    else:
        yield good("pack voltage", f"{report.pack_v:.1f} V, {each_v:.2f} V a cell")
    yield from _charge(report, flight)
    yield from _current(report, flight)


def _charge(report: events.PackReport, flight: Flight) -> Iterator[Finding]:
    told = report.remaining
    if math.isfinite(told) and abs(told - flight.pack.initial_charge) > 0.15:
        says = (
            f"the monitor says {told:.0%}, the flight file starts at "
            f"{flight.pack.initial_charge:.0%}"
        )
        yield doubt("charge", says, "charge the pack, or say what is in it: initial_charge_percent")


def _current(report: events.PackReport, flight: Flight) -> Iterator[Finding]:
    if math.isnan(report.current_a):
        fix = "set the autopilot's current sensor up: without it the forecast rests on voltage"
        yield bad("current", "the autopilot reports none", fix)
    elif report.current_a == 0.0:
        says = "exactly 0.00 A, though the avionics draw some"
        yield doubt("current", says, "is the current sensor connected and scaled?")
    elif abs(report.current_a) > 0.5 * flight.pack.capacity_ah:
        says = f"{report.current_a:.1f} A on the ground"
        yield doubt("current", says, "milliamperes for amperes, or is something switched on?")
    else:
        yield good("current", f"{report.current_a:.2f} A")


def _gps(fix: events.GpsQuality) -> Iterator[Finding]:
    if fix.fix_type < 3:
        yield bad("GPS", "no three-dimensional fix", "wait under open sky")
    elif fix.satellites < FEW_SATELLITES:
        yield doubt("GPS", f"{fix.satellites} satellites", "wait; move away from walls")
    else:
        yield good("GPS", f"fix with {fix.satellites} satellites")


def _air(air: events.AirData, flight: Flight) -> Iterator[Finding]:
    if math.isnan(air.cas_mps):
        yield doubt("airspeed", "the autopilot reports none", "is the sensor connected?")
    elif air.cas_mps > flight.aircraft.stall_mps and air.groundspeed_mps < 2.0:
        says = f"{air.cas_mps:.0f} m/s while standing"
        yield doubt("airspeed", says, "zero the sensor out of the wind; is it in m/s?")


def _home(off_m: float) -> Iterator[Finding]:
    if off_m > HOME_SLACK_M:
        says = f"the autopilot would return to a place {_length(off_m)} from the flight file's home"
        yield bad("home", says, "set the autopilot's home, or mend [home]")
    else:
        yield good("home", f"the autopilot's home is {_length(off_m)} from the flight file's")


def _apart_m(lat_rad: float, lon_rad: float, site: Site) -> float:
    """Great-circle distance (haversine); good to 0.5 % anywhere, which is enough to doubt by."""
    north, east = 0.5 * (lat_rad - site.lat_rad), 0.5 * (lon_rad - site.lon_rad)
    h = math.sin(north) ** 2 + math.cos(lat_rad) * math.cos(site.lat_rad) * math.sin(east) ** 2
    return 2.0 * EARTH_M * math.asin(min(math.sqrt(h), 1.0))


def _length(m: float) -> str:
    return f"{m:.0f} m" if m < 2000.0 else f"{m / 1000.0:.1f} km"


def _high(site: Site) -> str:
    return f"{site.elevation_m:.0f} m"
