"""What the cellular modem says of its link, from CELLULAR_STATUS: whether it is a poor one.

RADIO_STATUS is not asked: it tells of the telemetry radio, whose way is another one. An aircraft
far beyond its radio's reach may have the best of modems. A modem that nobody reports costs
nothing: slow answers of the broker say the same, a little later.
"""

from __future__ import annotations

from dataclasses import dataclass

from supervisor.edge import wire
from supervisor.edge.frames import Frame

# Signal quality in percent; two limits, so that it does not flicker. Ours: no source.
POOR_BELOW, GOOD_FROM = 20, 35
MOST = 100  # percent; 255 is "unknown" in the common message set


@dataclass(slots=True)
class Modem:
    """Its last word."""

    poor: bool = False

    def hear(self, frame: Frame) -> bool:
        """Take a frame; whether ``poor`` has changed."""
        if frame.msgid != wire.CELLULAR_STATUS:
            return False
        quality = wire.unpack(wire.CELLULAR_STATUS, frame.payload)[6]
        before = self.poor
        if quality > MOST:
            self.poor = False
        elif quality < POOR_BELOW:
            self.poor = True
        elif quality >= GOOD_FROM:
            self.poor = False
        return self.poor != before
