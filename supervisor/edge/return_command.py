"""The one frame of ours that can move the aircraft: the optional request for its own return.

MAV_CMD_NAV_RETURN_TO_LAUNCH of the open ``common`` set asks the autopilot to fly the return that
it is set up to fly. It is made only when the core says so (``core/decide/return_request.py``) and
sent a single time, without the repetition that other commands get.
"""

from __future__ import annotations

from supervisor.edge import wire
from supervisor.edge.outgoing import AUTOPILOT, Outgoing

RETURN_TO_LAUNCH = 20  # MAV_CMD_NAV_RETURN_TO_LAUNCH


def return_command(sender: Outgoing) -> bytes:
    """The frame, to the aircraft's autopilot."""
    return sender.frame(
        wire.COMMAND_LONG,
        target_system=sender.sysid,
        target_component=AUTOPILOT,
        command=RETURN_TO_LAUNCH,
    )
