"""Asks the autopilot for what we need to hear: message rates, home, the mission.

Sans-io: ``handle`` a received frame, ask ``due`` now and then; both return bytes to send. All
that is ever sent is MAV_CMD_SET_MESSAGE_INTERVAL, MAV_CMD_REQUEST_MESSAGE, the reading half of the
mission protocol and a heartbeat: nothing that can move the aircraft.

COMMAND_ACK names the command but not its parameters, so one question is open at a time. An
acknowledgement may still belong to an earlier, repeated question; therefore a granted message
that stays away is asked for again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from supervisor.edge import wire
from supervisor.edge.frames import Frame
from supervisor.edge.outgoing import AUTOPILOT, Outgoing
from supervisor.edge.plan_download import MissionItem, PlanDownload

SET_MESSAGE_INTERVAL, REQUEST_MESSAGE = 511, 512  # MAV_CMD
ACCEPTED, TEMPORARILY_REJECTED, IN_PROGRESS = 0, 1, 5  # MAV_RESULT
HEARTBEAT_S = 1.0
RETRY_S = 1.0
AGAIN_S = 30.0  # after a refusal, or when a granted message stays away
REBOOT_S = 5.0  # boot time going back by more than this is a restart, not a late frame

# How often we want each message, Hz.
RATES_HZ: dict[int, float] = {
    wire.GLOBAL_POSITION_INT: 5.0,
    wire.VFR_HUD: 5.0,
    wire.BATTERY_STATUS: 5.0,
    wire.ATTITUDE: 2.0,
    wire.EXTENDED_SYS_STATE: 2.0,
    wire.SYS_STATUS: 1.0,
    wire.SYSTEM_TIME: 1.0,
    wire.GPS_RAW_INT: 1.0,
    wire.SCALED_PRESSURE: 1.0,
    wire.WIND_COV: 1.0,
    wire.MISSION_CURRENT: 1.0,
}


@dataclass(slots=True)
class _Wish:
    """One message we want, and how the asking stands."""

    msgid: int
    command: int
    interval_us: float
    next_s: float = -math.inf  # ask (again) at this time, unless it is heard
    heard_s: float = -math.inf
    granted: bool = False
    refused: bool = False


class Requests:
    """What we still want to know from the autopilot.

    Args:
        sender: makes the frames; its ``sysid`` is the aircraft's.
        rates: ask for message intervals.
        plan: download the mission; it is then found in ``plan``.
    """

    def __init__(self, sender: Outgoing, *, rates: bool = True, plan: bool = False) -> None:
        self.plan: tuple[MissionItem, ...] | None = None
        self._sender = sender
        self._want_rates, self._want_plan = rates, plan
        self._boot_s = -math.inf
        self._beat_s = -math.inf
        self._begin()

    @property
    def refused(self) -> list[int]:
        """Ids of the messages whose rate the autopilot will not set."""
        return [wish.msgid for wish in self._wishes.values() if wish.refused]

    @property
    def settled(self) -> bool:
        """Everything asked for was granted or refused, and the plan (if wanted) is here."""
        answered = all(wish.granted or wish.refused for wish in self._wishes.values())
        return answered and (self._download is None or self._download.finished)

    def handle(self, frame: Frame, t_s: float) -> list[bytes]:
        """Look at a frame of the aircraft; what to answer at once."""
        wish = self._wishes.get(frame.msgid)
        if wish is not None:
            wish.heard_s = t_s
        if frame.msgid == wire.COMMAND_ACK:
            return self._acknowledge(frame, t_s)
        if frame.msgid == wire.SYSTEM_TIME:
            self._notice_reboot(frame)
        elif self._download is not None:
            answer = self._download.handle(frame, t_s)
            if self._download.items is not None:
                self.plan = self._download.items
            return answer
        return []

    def due(self, t_s: float) -> list[bytes]:
        """What to send now; to be called a few times a second."""
        out: list[bytes] = []
        if t_s - self._beat_s >= HEARTBEAT_S:
            self._beat_s = t_s
            out.append(self._sender.heartbeat())
        out.extend(self._question(t_s))
        if self._download is not None:
            out.extend(self._download.due(t_s))
        return out

    def _begin(self) -> None:
        rates = RATES_HZ if self._want_rates else {}
        self._wishes = {
            msgid: _Wish(msgid, SET_MESSAGE_INTERVAL, 1e6 / rate) for msgid, rate in rates.items()
        }
        # Not streamed but fetched, and again every AGAIN_S: home may be set anew in flight.
        self._wishes[wire.HOME_POSITION] = _Wish(wire.HOME_POSITION, REQUEST_MESSAGE, 0.0)
        self._open: _Wish | None = None
        self._download = PlanDownload(self._sender) if self._want_plan else None

    def _notice_reboot(self, frame: Frame) -> None:
        boot_s: float = wire.unpack(frame.msgid, frame.payload)[1] * 1e-3
        if boot_s < self._boot_s - REBOOT_S:
            self._begin()
        self._boot_s = boot_s

    def _question(self, t_s: float) -> list[bytes]:
        """The open question again when its answer is overdue, else the next one."""
        if self._open is not None and t_s < self._open.next_s:
            return []
        waiting = (wish for wish in self._wishes.values() if _wanting(wish, t_s))
        self._open = min(waiting, key=lambda wish: wish.next_s, default=None)
        if self._open is None:
            return []
        self._open.next_s = t_s + RETRY_S
        return [
            self._sender.frame(
                wire.COMMAND_LONG,
                target_system=self._sender.sysid,
                target_component=AUTOPILOT,
                command=self._open.command,
                param1=self._open.msgid,
                param2=self._open.interval_us,
            )
        ]

    def _acknowledge(self, frame: Frame, t_s: float) -> list[bytes]:
        ack = wire.named(frame.msgid, frame.payload)
        wish = self._open
        if wish is None or ack["command"] != wish.command or not self._sender.is_for_us(ack):
            return []
        if ack["result"] in (TEMPORARILY_REJECTED, IN_PROGRESS):
            return []  # it stays the open question, to be repeated
        wish.granted = ack["result"] == ACCEPTED
        wish.refused = not wish.granted
        wish.next_s = t_s + AGAIN_S
        self._open = None
        return self._question(t_s)


def _wanting(wish: _Wish, t_s: float) -> bool:
    """Time to ask, and it does not come by itself since it was granted."""
    return wish.next_s <= t_s and not (wish.granted and t_s - wish.heard_s < AGAIN_S)
