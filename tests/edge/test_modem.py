"""The modem's word. CELLULAR_STATUS.quality is percent, 255 unknown (from memory)."""

from __future__ import annotations

from supervisor.edge import wire
from supervisor.edge.frames import Frame, read_frame
from supervisor.edge.modem import Modem
from supervisor.edge.outgoing import Outgoing

SENDER = Outgoing(1, 1)


def frame(msgid: int, **fields: int) -> Frame:
    found = read_frame(SENDER.frame(msgid, **fields))
    assert found is not None
    return found


def quality(percent: int) -> Frame:
    return frame(wire.CELLULAR_STATUS, status=12, type=5, quality=percent)


def test_poor_and_good_again_without_flicker() -> None:
    modem = Modem()
    said = [(modem.hear(quality(q)), modem.poor) for q in (80, 25, 19, 25, 34, 35, 20)]
    assert [poor for _, poor in said] == [False, False, True, True, True, False, False]
    assert [changed for changed, _ in said] == [False, False, True, False, False, True, False]


def test_unknown_is_not_poor() -> None:
    modem = Modem()
    modem.hear(quality(3))
    assert modem.hear(quality(255))
    assert not modem.poor


def test_the_telemetry_radio_is_another_link() -> None:
    modem = Modem()
    assert not modem.hear(frame(wire.RADIO_STATUS, rssi=1, remrssi=1))
    assert not modem.poor
