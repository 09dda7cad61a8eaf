"""The door for bytes from the aircraft: one aircraft's frames, each once, in order, checked.

``feed`` drops what is not for us - other systems, other components, repeats, late arrivals, bad
signatures - and counts it. Fed with its own output again it gives the same frames, which is why
recordings hold exactly that and replay as they flew.
"""

from __future__ import annotations

from dataclasses import dataclass

from supervisor.edge.frame_signing import Verdict, Verifier
from supervisor.edge.frames import MAGIC_1, Frame, SplitCounts, Splitter
from supervisor.edge.outgoing import AUTOPILOT, NO_AUTOPILOT
from supervisor.edge.sequence import Order, Sequence
from supervisor.edge.wire import (
    BATTERY_STATUS,
    CELLULAR_STATUS,
    HEARTBEAT,
    RADIO_STATUS,
    ROWS,
    unpack,
)

BATTERIES = (180, 181)  # MAV_COMP_ID_BATTERY, MAV_COMP_ID_BATTERY2
TELEMETRY_RADIO = 68  # MAV_COMP_ID_TELEMETRY_RADIO
TYPE_GCS = 6  # MAV_TYPE_GCS


@dataclass(slots=True)
class IntakeCounts:
    """What became of the frames."""

    accepted: int = 0
    other: int = 0  # another system or component, or before the aircraft was known
    repeated: int = 0
    late: int = 0  # overtaken by a newer one of its kind
    lost: int = 0  # gaps in the sequence numbers
    restarts: int = 0  # of the sender's sequence
    unsigned: int = 0
    wrong_signature: int = 0
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
        self.verifier = Verifier(key, newest_signature) if key else None
        self._splitter = Splitter()
        self._order: dict[tuple[int, int], Sequence] = {}

    @property
    def bytes_counts(self) -> SplitCounts:
        """What became of the bytes, before frames were judged."""
        return self._splitter.counts

    def feed(self, data: bytes) -> list[Frame]:
        """The aircraft's new frames completed by these bytes. Never raises."""
        return [frame for frame in self._splitter.feed(data) if self._wanted(frame)]

    def _wanted(self, frame: Frame) -> bool:
        if not frame.raw:
            sequence = self._order.get((frame.sysid, frame.compid))
            if sequence:
                sequence.pass_by(frame.seq)
            return False
        if not self._ours(frame) or not self._authentic(frame) or not self._fresh(frame):
            return False
        self.counts.accepted += 1
        if frame.raw[0] == MAGIC_1:
            self.counts.mavlink1 += 1
        return True

    def _ours(self, frame: Frame) -> bool:
        if frame.msgid in ROWS and (frame.sysid == self.system_id or self._adopt(frame)):
            ours = frame.compid == AUTOPILOT or (
                frame.msgid == BATTERY_STATUS and frame.compid in BATTERIES
            )
        else:
            ours = False
        # Link quality is put onto the link by the radio or modem, under a number of its own.
        ours = ours or (
            frame.msgid in (RADIO_STATUS, CELLULAR_STATUS)
            and self.system_id is not None
            and (frame.sysid == self.system_id or frame.compid == TELEMETRY_RADIO)
        )
        if not ours:
            self.counts.other += 1
        return ours

    def _adopt(self, frame: Frame) -> bool:
        """The first autopilot's heartbeat decides whom we listen to."""
        if self.system_id is not None or frame.msgid != HEARTBEAT or frame.compid != AUTOPILOT:
            return False
        _, kind, autopilot, *_ = unpack(HEARTBEAT, frame.payload)
        if kind == TYPE_GCS or autopilot == NO_AUTOPILOT:
            return False
        if self.verifier and self.verifier.check(frame, remember=False) is not Verdict.GOOD:
            return False
        self.system_id = frame.sysid
        return True

    def _authentic(self, frame: Frame) -> bool:
        if self.verifier is None:
            return True
        verdict = self.verifier.check(frame)
        if verdict is Verdict.UNSIGNED:
            self.counts.unsigned += 1
        elif verdict is Verdict.WRONG:
            self.counts.wrong_signature += 1
        elif verdict is Verdict.REPLAYED:
            self.counts.repeated += 1
        return verdict is Verdict.GOOD

    def _fresh(self, frame: Frame) -> bool:
        source = (frame.sysid, frame.compid)
        sequence = self._order.get(source)
        if sequence is None:
            sequence = self._order[source] = Sequence()
        order = sequence.place(frame)
        self.counts.lost += sequence.gap
        if order is Order.REPEATED:
            self.counts.repeated += 1
        elif order is Order.LATE:
            self.counts.late += 1
        elif order is Order.RESTARTED:
            self.counts.restarts += 1
        return order in (Order.NEW, Order.RESTARTED)
