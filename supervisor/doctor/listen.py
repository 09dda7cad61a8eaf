"""Listens to the aircraft as the daemon would: the same link, intake, requests and line."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from time import perf_counter

from supervisor.core.plan import Flight
from supervisor.daemonfile import DaemonFile, LinkSection
from supervisor.doctor.finding import Finding, bad, doubt, good
from supervisor.doctor.hearing import Hearing
from supervisor.doctor.machine import date
from supervisor.edge.clock import ReceiptClock
from supervisor.edge.frame_signing import Signer as FrameSigner
from supervisor.edge.frame_signing import load_key
from supervisor.edge.intake import Intake
from supervisor.edge.link import make_link
from supervisor.edge.outgoing import Outgoing
from supervisor.edge.requests import Requests
from supervisor.errors import LinkError
from supervisor.line import Concluded, Line
from supervisor.messages import Status

BAUDS = (57_600, 115_200, 921_600, 230_400, 460_800, 38_400, 500_000, 1_500_000)
TRY_BAUD_S = 1.5
ASK_S = 0.2
SLOW_LOOK_S = 1.0  # a look longer than this is late for the keenest period, 2 s
LINK_FIXES = {
    "No such file": "is it plugged in? `ls /dev/serial/by-id` names what is there",
    "Permission denied": "add this user to the group dialout, log in anew",
}
LINK_BUSY = "is the daemon running? stop it (systemctl stop homeleg) or read its health topic"


@dataclass(slots=True)
class Listened:
    """What a while on the link gave."""

    hearing: Hearing
    t_s: float = 0.0
    unix_s: float = math.nan
    first_forecast_s: float = math.nan
    slowest_look_s: float = 0.0
    refused: list[int] = field(default_factory=list)


class Listener:
    """One link, listened to for a while. Sends what the daemon would send, no more."""

    def __init__(self, flight: Flight, daemon: DaemonFile) -> None:
        section = daemon.link
        self.heard = Listened(Hearing(asks=section.request_rates))
        self._section = section
        self._clock = ReceiptClock()
        self._key = load_key(section.signing_key) if section.signing_key else None
        self.intake = Intake(section.system_id, self._key)
        self._requests: Requests | None = None
        self._line = Line(flight, "doctor", daemon.forecast)
        self._link = make_link(section.address, self._on_bytes, self._clock)

    async def listen(self, seconds: float) -> Listened:
        """Listen so long; LinkError when the link cannot be opened."""
        await self._link.open()
        try:
            while self._now_s() < seconds:
                for question in self._requests.due(self._now_s()) if self._requests else ():
                    self._link.send(question)
                self._note(lambda: self._line.tick(self._clock.now_ns()))
                await asyncio.sleep(ASK_S)
        finally:
            await self._link.close()
        self.heard.t_s = self._now_s()
        self.heard.unix_s = self._line.unix_s(self._clock.now_ns())
        self.heard.refused = self._requests.refused if self._requests else []
        return self.heard

    def _now_s(self) -> float:
        return self._clock.now_ns() * 1e-9

    def _on_bytes(self, _t_ns: int, data: bytes) -> bool:
        frames = self.intake.feed(data)
        for frame in frames:
            t_s = self._now_s()
            self.heard.hearing.frame(frame, t_s)
            self._meet()
            for answer in self._requests.handle(frame, t_s) if self._requests else ():
                self._link.send(answer)
            now_ns = self._clock.now_ns()
            self._note(partial(self._line.frame, frame, now_ns))
        return bool(frames)

    def _meet(self) -> None:
        system = self.intake.system_id
        if self._requests is None and system is not None:
            section, verifier = self._section, self.intake.verifier
            signer = FrameSigner(self._key, heard=verifier) if self._key else None
            sender = Outgoing(section.own_system_id or system, section.own_component_id, signer)
            self._requests = Requests(sender, rates=section.request_rates)

    def _note(self, step: Callable[[], list[Concluded]]) -> None:
        """A step of the line, timed when it concludes something."""
        began_s = perf_counter()
        concluded = step()
        if not concluded:
            return
        self.heard.slowest_look_s = max(self.heard.slowest_look_s, perf_counter() - began_s)
        told = any(isinstance(m, Status) and m.numbers is not None for m in concluded)
        if told and math.isnan(self.heard.first_forecast_s):
            self.heard.first_forecast_s = self._now_s()


async def telemetry(flight: Flight, daemon: DaemonFile, seconds: float) -> list[Finding]:
    """Everything about the link; also finds the baud rate of a silent serial port."""
    listener = Listener(flight, daemon)
    try:
        heard = await listener.listen(seconds)
    except LinkError as error:
        fix = next((fix for words, fix in LINK_FIXES.items() if words in str(error)), LINK_BUSY)
        return [bad("link", str(error), fix)]
    found = [*_bytes(listener.intake), *heard.hearing.findings(flight, heard.t_s)]
    if listener.intake.counts.accepted == 0 and daemon.link.address.startswith("serial:"):
        found += await _other_bauds(daemon.link)
    return found + list(_forecast(heard)) + list(_date(heard))


def _bytes(intake: Intake) -> Iterator[Finding]:
    split, counts, order = intake.bytes_counts, intake.counts, intake.order
    if counts.accepted:
        yield good("link", f"{counts.accepted} frames of system {intake.system_id}")
    elif split.bytes == 0:
        yield bad("link", "not a single byte", "wiring (TX to RX), power, address or port")
    elif split.frames == 0:
        yield bad("link", f"{split.bytes} bytes, no frame", "wrong baud, or not MAVLink")
    elif counts.unsigned or counts.wrong_signature:
        fix = "give link.signing_key the key that the autopilot signs with"
        yield bad("link", "frames are there, but not rightly signed", fix)
    else:
        fix = "is link.system_id right? is the autopilot's component id 1?"
        yield bad("link", f"{split.frames} frames, none of this aircraft", fix)
    if counts.accepted and order.lost > 0.05 * counts.accepted:
        share = order.lost / (order.lost + counts.accepted)
        yield doubt("link", f"{share:.0%} of the frames are lost", "a higher baud or fewer rates")
    if split.damaged > 20:
        yield doubt("link", f"{split.damaged} frames were damaged", "noise on the wire, or baud")
    if counts.mavlink1:
        fix = "switch the autopilot's port to MAVLink 2: cell voltages and signatures need it"
        yield doubt("link", f"{counts.mavlink1} frames are MAVLink 1", fix)
    foreign = counts.other > 20 and counts.accepted > 0
    if foreign:
        yield good("link", f"{counts.other} frames of other systems or components, not used")


async def _other_bauds(section: LinkSection) -> list[Finding]:
    """Listen at other rates: the one at which frames come is the right one."""
    device, _, now = section.address.removeprefix("serial:").rpartition(":")
    if not Path(device).exists():
        return [bad("baud", f"{device} is not there", "is it plugged in? see deploy/udev")]
    for baud in BAUDS:
        if str(baud) == now:
            continue
        intake = Intake(section.system_id)
        address = f"serial:{device}:{baud}"

        def feed(_t_ns: int, data: bytes, intake: Intake = intake) -> bool:
            return bool(intake.feed(data))

        try:
            link = make_link(address, feed, ReceiptClock())
            await link.open()
        except LinkError:
            continue
        await asyncio.sleep(TRY_BAUD_S)
        await link.close()
        if intake.bytes_counts.frames:
            return [bad("baud", f"frames come at {baud}", f'set address = "{address}"')]
    return [bad("baud", "no frames at any usual rate", "wiring, or the autopilot's port is off")]


def _forecast(heard: Listened) -> Iterator[Finding]:
    if math.isnan(heard.first_forecast_s):
        fix = "it needs position and pack; see above what is missing"
        yield bad("forecast", f"none in {heard.t_s:.0f} s", fix)
        return
    says = (
        f"the first after {heard.first_forecast_s:.1f} s; {heard.slowest_look_s * 1e3:.0f} ms each"
    )
    if heard.slowest_look_s > SLOW_LOOK_S:
        yield doubt("forecast", says, "set forecast.members lower, or use a faster computer")
    else:
        yield good("forecast", says)


def _date(heard: Listened) -> Iterator[Finding]:
    if math.isfinite(heard.unix_s):
        yield from date(heard.unix_s)
