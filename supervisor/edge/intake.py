"""The door for bytes from the aircraft: one aircraft's frames, each once, in order, checked.

``feed`` drops what is not for us - other systems, other components, repeats, late arrivals, bad
signatures - and counts it. What it gives is what recordings hold; a replay takes it as it is, for
order can only be judged among all that was sent, unused messages too.
"""

from __future__ import annotations

import os
from dataclasses import dataclass

from supervisor.edge.frame_signing import Verdict, Verifier
from supervisor.edge.frames import MAGIC_1, Frame, SplitCounts, Splitter
from supervisor.edge.outgoing import AUTOPILOT, NO_AUTOPILOT
from supervisor.edge.sequence import OrderCounts, Sequence
from supervisor.edge.wire import (
    BATTERY_STATUS,
    CELLULAR_STATUS,
    HEARTBEAT,
    RADIO_STATUS,
    ROWS,
    unpack,
)
from supervisor.errors import LinkError

BATTERIES = (180, 181)  # MAV_COMP_ID_BATTERY, MAV_COMP_ID_BATTERY2
TELEMETRY_RADIO = 68  # MAV_COMP_ID_TELEMETRY_RADIO
TYPE_GCS = 6  # MAV_TYPE_GCS


@dataclass(slots=True)
class IntakeCounts:
    """What became of the frames."""

    accepted: int = 0
    other: int = 0  # another system or component, or before the aircraft was known
    unsigned: int = 0
    wrong_signature: int = 0
    replayed: int = 0  # rightly signed, but not newer than what was already heard
    mavlink1: int = 0


class Intake:
    """Bytes in, the aircraft's frames out.

    Args:
        system_id: which aircraft; None: the first autopilot that sends a heartbeat.
        key: 32 bytes; then only rightly signed frames count. None: signatures are not looked at.
        newest_signature: highest signature timestamp of earlier runs.
    """

    def __init__(
        self,
        system_id: int | None = None,
        key: bytes | None = None,
        *,
        newest_signature: int = 0,
    ) -> None:
        self.system_id = system_id
        self.counts = IntakeCounts()
        self.order = OrderCounts()
        self.verifier = Verifier(key, newest_signature) if key else None
        self._splitter = Splitter()
        self._sequences: dict[int, Sequence] = {}

    @property
    def bytes_counts(self) -> SplitCounts:
        """What became of the bytes, before frames were judged."""
        return self._splitter.counts

    def feed(self, data: bytes) -> list[Frame]:
        """The aircraft's new frames completed by these bytes. Never raises."""
        taken = [frame for frame in self._splitter.feed(data) if self._take(frame)]
        self.counts.accepted += len(taken)
        return taken

    def _take(self, frame: Frame) -> bool:
        raw, msgid, sysid, compid, seq, _ = frame
        if not raw:
            passing = self._sequences.get(sysid << 8 | compid)
            if passing is not None:
                passing.pass_by(seq)
            return False
        plainly = sysid == self.system_id and compid == AUTOPILOT and msgid in ROWS
        if not plainly and not self._is_for_us(frame):
            self.counts.other += 1
            return False
        if self.verifier is not None and not self._authentic(frame):
            return False
        if raw[0] == MAGIC_1:
            self.counts.mavlink1 += 1
        source = sysid << 8 | compid
        sequence = self._sequences.get(source)
        if sequence is None:
            sequence = self._sequences[source] = Sequence(seq, self.order)
        return sequence.take(frame)

    def _is_for_us(self, frame: Frame) -> bool:
        """The exceptions to "the autopilot of our system"."""
        if self.system_id is None:
            return self._adopt(frame)
        ours = frame.sysid == self.system_id
        if frame.msgid == BATTERY_STATUS:
            return ours and frame.compid in BATTERIES
        # Link quality is put onto the link by the radio or modem, under a number of its own.
        is_link = frame.msgid in (RADIO_STATUS, CELLULAR_STATUS)
        return is_link and (ours or frame.compid == TELEMETRY_RADIO)

    def _adopt(self, frame: Frame) -> bool:
        """The first autopilot's heartbeat decides whom we listen to."""
        if frame.msgid != HEARTBEAT or frame.compid != AUTOPILOT:
            return False
        _, kind, autopilot, *_ = unpack(HEARTBEAT, frame.payload)
        if kind == TYPE_GCS or autopilot == NO_AUTOPILOT:
            return False
        if self.verifier is not None and not self.verifier.would_pass(frame):
            return False
        self.system_id = frame.sysid
        return True

    def _authentic(self, frame: Frame) -> bool:
        assert self.verifier is not None
        verdict = self.verifier.check(frame)
        if verdict is Verdict.UNSIGNED:
            self.counts.unsigned += 1
        elif verdict is Verdict.WRONG:
            self.counts.wrong_signature += 1
        elif verdict is Verdict.REPLAYED:
            self.counts.replayed += 1
        return verdict is Verdict.GOOD


def refuse_unchecked_crc() -> None:
    """Homeleg always checks CRCs; an environment that asks tools not to is no place to fly in."""
    if os.environ.get("MAV_IGNORE_CRC"):
        raise LinkError(
            "MAV_IGNORE_CRC",
            "is set: other MAVLink programs here would take damaged frames for good ones",
            allowed="unset",
        )
