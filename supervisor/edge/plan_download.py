"""The reading half of the mission protocol, as a state machine.

Ask for the list, be told the count, ask for each item, confirm with MISSION_ACK. Every question
is repeated until it is answered. A new count in the middle, a refusal, or an item that never comes
(somebody has changed the plan meanwhile) starts the download again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from supervisor.edge import wire
from supervisor.edge.frames import Frame
from supervisor.edge.outgoing import AUTOPILOT, Outgoing

RETRY_S = 1.0
LIST_RETRY_S = 5.0  # no answer to the list at all: the autopilot is busy or knows no missions
ITEM_TRIES = 10
MISSION = 0  # MAV_MISSION_TYPE_MISSION
MISSION_ACCEPTED = 0  # MAV_MISSION_RESULT

_ANSWERS = (wire.MISSION_COUNT, wire.MISSION_ITEM_INT, wire.MISSION_ACK)


@dataclass(frozen=True, slots=True)
class MissionItem:
    """MISSION_ITEM_INT as sent: degrees, metres in ``frame`` (MAV_FRAME), MAV_CMD ``command``."""

    seq: int
    frame: int
    command: int
    params: tuple[float, float, float, float]
    lat_deg: float
    lon_deg: float
    z_m: float


class PlanDownload:
    """Downloads one mission. ``items`` is None until all of it is there."""

    def __init__(self, sender: Outgoing) -> None:
        self.items: tuple[MissionItem, ...] | None = None
        self._sender = sender
        self._count = -1
        self._got: list[MissionItem] = []
        self._next_s = -math.inf
        self._tries = 0  # for the item that is asked for now

    @property
    def finished(self) -> bool:
        """Nothing more will be asked."""
        return self.items is not None

    def handle(self, frame: Frame, t_s: float) -> list[bytes]:
        """Take a frame of the mission protocol that is meant for us; answer at once."""
        if frame.msgid not in _ANSWERS or self.finished:
            return []
        values = wire.named(frame.msgid, frame.payload)
        if values["mission_type"] != MISSION or not self._sender.is_for_us(values):
            return []
        if frame.msgid == wire.MISSION_ACK:
            return self._begin_again(t_s)
        if frame.msgid == wire.MISSION_COUNT:
            self._count, self._got = values["count"], []
        elif self._count < 0 or values["seq"] != len(self._got):
            return []  # an answer to a question that we repeated, or to somebody else's
        else:
            self._got.append(_item(values))
        self._tries = 0
        return self._go_on(t_s)

    def due(self, t_s: float) -> list[bytes]:
        """The open question, when it is time to put it (again)."""
        if self.finished or t_s < self._next_s:
            return []
        if self._count >= 0 and self._tries < ITEM_TRIES:
            return self._go_on(t_s)
        self._count, self._tries = -1, 0
        self._next_s = t_s + LIST_RETRY_S
        return [self._send(wire.MISSION_REQUEST_LIST)]

    def _begin_again(self, t_s: float) -> list[bytes]:
        """After a refusal, not at once: two who disagree must not fill the link."""
        self._count, self._tries, self._next_s = -1, 0, t_s + LIST_RETRY_S
        return []

    def _go_on(self, t_s: float) -> list[bytes]:
        self._next_s = t_s + RETRY_S
        self._tries += 1
        if len(self._got) < self._count:
            return [self._send(wire.MISSION_REQUEST_INT, seq=len(self._got))]
        self.items = tuple(self._got)
        return [self._send(wire.MISSION_ACK, type=MISSION_ACCEPTED)]

    def _send(self, msgid: int, **fields: int) -> bytes:
        return self._sender.frame(
            msgid, target_system=self._sender.sysid, target_component=AUTOPILOT, **fields
        )


def _item(values: dict[str, float]) -> MissionItem:
    return MissionItem(
        seq=int(values["seq"]),
        frame=int(values["frame"]),
        command=int(values["command"]),
        params=(values["param1"], values["param2"], values["param3"], values["param4"]),
        lat_deg=values["x"] * 1e-7,
        lon_deg=values["y"] * 1e-7,
        z_m=values["z"],
    )
