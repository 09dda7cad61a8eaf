"""What the aircraft answers: commands and the mission protocol, and nothing else.

Only messages of the open ``common`` set. A mission download is stateless on this side: the client
asks for a count, then for each item, then acknowledges; any number of clients may do so at once.
Sequences: https://mavlink.io/en/services/mission.html and .../command.html
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING, Any, Protocol

from pymavlink.dialects.v20 import common

from sim.mission import MissionItem, mission_of
from sim.wire import Shape, shape, split_frames

if TYPE_CHECKING:
    from sim.plan import Plan, Site

COMMAND_ACK = shape("COMMAND_ACK")
MISSION_COUNT = shape("MISSION_COUNT")
MISSION_ITEM_INT = shape("MISSION_ITEM_INT")
MISSION_ACK = shape("MISSION_ACK")
MESSAGE_INTERVAL = shape("MESSAGE_INTERVAL")

ACCEPTED, TEMPORARILY_REJECTED, DENIED, UNSUPPORTED = 0, 1, 2, 3
MISSION, RALLY = 0, 2  # MAV_MISSION_TYPE
INVALID_SEQUENCE, MISSION_UNSUPPORTED = 13, 3  # MAV_MISSION_RESULT
RELATIVE_HEIGHT, NO_PLACE = 3, 2  # MAV_FRAME
RALLY_POINT = 5100

SET_MESSAGE_INTERVAL, REQUEST_MESSAGE = 511, 512
NAV_RETURN_TO_LAUNCH, NAV_VTOL_LAND = 20, 85
ALTERNATE_WITHIN_DEG = 0.01  # how near a commanded landing place must be to a known alternate


class Stream(Protocol):
    """What the protocol needs of the telemetry stream."""

    def set_interval(self, message: int, interval_us: int) -> bool:
        """Change the interval of a message."""

    def interval_us(self, message: int) -> int:
        """The interval of a message."""

    def one(self, message: int) -> bytes | None:
        """One frame of a message now."""

    def frame(self, layout: Shape, *values: object) -> bytes:
        """A frame of this aircraft."""


class Autopilot:
    """Answers clients. ``on_return`` and ``on_divert`` reach the flight; False: not now."""

    def __init__(
        self,
        plan: Plan,
        stream: Stream,
        system: int = 1,
        component: int = 1,
        secret: bytes | None = None,
    ) -> None:
        self.mission: tuple[MissionItem, ...] = mission_of(plan)
        self.rally: tuple[MissionItem, ...] = tuple(
            _rally(i, site, plan.home.elevation_m) for i, site in enumerate(plan.alternates)
        )
        self.on_return: Callable[[], bool] = lambda: False
        self.on_divert: Callable[[int], bool] = lambda _index: False
        self.asked_intervals = False
        self.questions = 0  # asked of us so far
        self.mission_downloads = 0
        self._stream = stream
        self._system, self._component = system, component
        self._parser = common.MAVLink(None)
        self._parser.signing.secret_key = secret  # with a key, unsigned questions go unheard
        self._answer: dict[str, Callable[[Any], list[bytes]]] = {
            "COMMAND_LONG": self._command,
            "COMMAND_INT": self._command,
            "MISSION_REQUEST_LIST": self._count,
            "MISSION_REQUEST_INT": self._item,
            "MISSION_REQUEST": self._item,
            "MISSION_ACK": self._acknowledged,
        }

    def handle(self, data: bytes) -> list[bytes]:
        """Whole frames of a client in, replies out; whatever is not for us is ignored."""
        replies: list[bytes] = []
        for message in self._messages(data):
            answer = self._answer.get(message.get_type())
            if answer is not None and self._for_us(message):
                self.questions += 1
                replies += answer(message)
        return replies

    def _messages(self, data: bytes) -> Iterator[Any]:
        """Each frame on its own: garbage spoils nothing that comes after it."""
        for frame in split_frames(data)[0]:
            with suppress(common.MAVError, struct.error):
                yield self._parser.decode(bytearray(frame))

    def _for_us(self, message: Any) -> bool:
        return message.target_system in (0, self._system) and message.target_component in (
            0,
            self._component,
        )

    # --- commands ---

    def _command(self, message: Any) -> list[bytes]:
        """The acknowledgement first, then what was asked for, in the order of their numbers."""
        wanted = int(message.param1) if math.isfinite(message.param1) else -1
        follows: Callable[[], bytes | None] = lambda: None  # noqa: E731
        match message.command:
            case common.MAV_CMD_SET_MESSAGE_INTERVAL:
                result = self._set_interval(wanted, message.param2)
            case common.MAV_CMD_GET_MESSAGE_INTERVAL:
                result, follows = ACCEPTED, partial(self._interval, wanted)
            case common.MAV_CMD_REQUEST_MESSAGE:
                known = self._stream.interval_us(wanted) != 0
                result, follows = self._known(known), partial(self._stream.one, wanted)
            case common.MAV_CMD_NAV_RETURN_TO_LAUNCH:
                result = ACCEPTED if self.on_return() else TEMPORARILY_REJECTED
            case common.MAV_CMD_NAV_LAND | common.MAV_CMD_NAV_VTOL_LAND:
                result = self._divert(message)
            case _:
                result = UNSUPPORTED
        replies = (self._acknowledge(message, result), follows())
        return [reply for reply in replies if reply is not None]

    def _interval(self, wanted: int) -> bytes:
        return self._stream.frame(
            MESSAGE_INTERVAL, self._stream.interval_us(wanted), max(0, min(wanted, 0xFFFF))
        )

    @staticmethod
    def _known(known: bool) -> int:
        return ACCEPTED if known else UNSUPPORTED

    def _set_interval(self, wanted: int, interval_us: float) -> int:
        if wanted < 0 or not math.isfinite(interval_us):
            return DENIED
        self.asked_intervals = True
        return self._known(self._stream.set_interval(wanted, int(interval_us)))

    def _divert(self, message: Any) -> int:
        """Land at the alternate nearest to the commanded place."""
        whole = message.get_type() == "COMMAND_INT"
        lat = message.x * 1e-7 if whole else message.param5
        lon = message.y * 1e-7 if whole else message.param6
        gaps = [math.hypot(item.lat_deg - lat, item.lon_deg - lon) for item in self.rally]
        if not gaps or not min(gaps) < ALTERNATE_WITHIN_DEG:
            return DENIED
        return ACCEPTED if self.on_divert(gaps.index(min(gaps))) else TEMPORARILY_REJECTED

    def _acknowledge(self, message: Any, result: int) -> bytes:
        return self._stream.frame(
            COMMAND_ACK,
            message.command,
            result,
            0,
            0,
            message.get_srcSystem(),
            message.get_srcComponent(),
        )

    # --- mission protocol ---

    def _items(self, kind: int) -> tuple[MissionItem, ...] | None:
        return {MISSION: self.mission, RALLY: self.rally}.get(kind)

    def _count(self, message: Any) -> list[bytes]:
        items = self._items(message.mission_type)
        if items is None:
            return [self._refuse(message, MISSION_UNSUPPORTED)]
        to = (message.get_srcSystem(), message.get_srcComponent())
        return [self._stream.frame(MISSION_COUNT, len(items), *to, message.mission_type)]

    def _item(self, message: Any) -> list[bytes]:
        items = self._items(message.mission_type)
        if items is None:
            return [self._refuse(message, MISSION_UNSUPPORTED)]
        if not 0 <= message.seq < len(items):
            return [self._refuse(message, INVALID_SEQUENCE)]
        item = items[message.seq]
        placed = item.lat_deg != 0.0 or item.lon_deg != 0.0
        return [
            self._stream.frame(
                MISSION_ITEM_INT,
                *item.params,
                round(item.lat_deg * 1e7),
                round(item.lon_deg * 1e7),
                item.height_m,
                item.seq,
                item.command,
                message.get_srcSystem(),
                message.get_srcComponent(),
                RELATIVE_HEIGHT if placed else NO_PLACE,
                0,
                1,
                message.mission_type,
            )
        ]

    def _acknowledged(self, message: Any) -> list[bytes]:
        if message.mission_type == MISSION and message.type == 0:
            self.mission_downloads += 1
        return []

    def _refuse(self, message: Any, result: int) -> bytes:
        to = (message.get_srcSystem(), message.get_srcComponent())
        return self._stream.frame(MISSION_ACK, *to, result, message.mission_type)


def _rally(index: int, site: Site, home_elevation_m: float) -> MissionItem:
    """An alternate as a rally point; its height is the ground's, above home."""
    height_m = site.elevation_m - home_elevation_m
    return MissionItem(
        index, RALLY_POINT, site.lat_deg, site.lon_deg, height_m, (0.0,) * 4, site.name
    )
