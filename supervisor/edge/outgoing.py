"""The frames we send: numbered, signed when there is a key. None of them can move the aircraft."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from supervisor.edge import wire
from supervisor.edge.frame_signing import Signer
from supervisor.edge.frames import build

AUTOPILOT = 1  # MAV_COMP_ID_AUTOPILOT1
ONBOARD_COMPUTER = 191  # MAV_COMP_ID_ONBOARD_COMPUTER
TYPE_ONBOARD_CONTROLLER = 18  # MAV_TYPE_ONBOARD_CONTROLLER
NO_AUTOPILOT = 8  # MAV_AUTOPILOT_INVALID
STATE_ACTIVE = 4  # MAV_STATE_ACTIVE
MAVLINK_VERSION = 3
TEXT_BYTES = 50


class Outgoing:
    """Makes frames in one component's name.

    ``sysid`` is the aircraft's own number: a companion computer is a component of its system.
    """

    def __init__(
        self, sysid: int, compid: int = ONBOARD_COMPUTER, signer: Signer | None = None
    ) -> None:
        self.sysid = sysid
        self.compid = compid
        self._signer = signer
        self._seq = -1
        self._text_id = 0

    def frame(self, msgid: int, **fields: Any) -> bytes:
        """One frame; fields left out are zero."""
        self._seq = (self._seq + 1) & 0xFF
        raw = build(
            msgid,
            wire.pack(msgid, **fields),
            sysid=self.sysid,
            compid=self.compid,
            seq=self._seq,
            signed=self._signer is not None,
        )
        return self._signer.sign(raw) if self._signer else raw

    def is_for_us(self, fields: Mapping[str, Any]) -> bool:
        """Whether an answer's target is us or everybody (0), not another ground station."""
        return fields["target_system"] in (0, self.sysid) and fields["target_component"] in (
            0,
            self.compid,
        )

    def heartbeat(self) -> bytes:
        """Says once a second that an onboard computer is there."""
        return self.frame(
            wire.HEARTBEAT,
            type=TYPE_ONBOARD_CONTROLLER,
            autopilot=NO_AUTOPILOT,
            system_status=STATE_ACTIVE,
            mavlink_version=MAVLINK_VERSION,
        )

    def text(self, severity: int, text: str) -> list[bytes]:
        """A line for whoever reads the local link, in pieces of 50 bytes where it is longer."""
        data = text.encode()
        pieces = [data[i : i + TEXT_BYTES] for i in range(0, len(data), TEXT_BYTES)] or [b""]
        if len(pieces) == 1:
            return [self.frame(wire.STATUSTEXT, severity=severity, text=data)]
        if len(pieces[-1]) == TEXT_BYTES:
            pieces.append(b"")  # only a piece with a zero byte in it ends the line
        self._text_id = self._text_id % 0xFFFF + 1
        return [
            self.frame(
                wire.STATUSTEXT, severity=severity, text=piece, id=self._text_id, chunk_seq=number
            )
            for number, piece in enumerate(pieces)
        ]
