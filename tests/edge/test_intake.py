"""Whose frames count."""

from __future__ import annotations

import pytest

from supervisor.edge import wire
from supervisor.edge.frame_signing import Signer
from supervisor.edge.frames import build, read_frame
from supervisor.edge.intake import Intake, refuse_unchecked_crc
from supervisor.edge.outgoing import Outgoing
from supervisor.errors import LinkError

VTOL, GCS, GENERIC, INVALID = 22, 6, 0, 8  # MAV_TYPE and MAV_AUTOPILOT
KEY = bytes(range(32))


class Sender(Outgoing):
    """An aircraft's component, for tests."""

    def beat(self, kind: int = VTOL, autopilot: int = GENERIC) -> bytes:
        return self.frame(wire.HEARTBEAT, type=kind, autopilot=autopilot, mavlink_version=3)

    def position(self, t_ms: int = 1) -> bytes:
        return self.frame(wire.GLOBAL_POSITION_INT, time_boot_ms=t_ms, lat=1, lon=1)


def test_the_first_autopilot_is_adopted_and_others_are_counted() -> None:
    intake, first, second = Intake(), Sender(7, 1), Sender(9, 1)
    assert intake.feed(first.position()) == []  # not known yet to be an aircraft
    assert [f.sysid for f in intake.feed(first.beat() + second.beat())] == [7]
    assert intake.system_id == 7
    assert [f.sysid for f in intake.feed(second.position() + first.position())] == [7]
    assert intake.counts.other == 3


@pytest.mark.parametrize(
    ("sender", "kind", "autopilot"),
    [
        (Sender(255, 190), GCS, INVALID),  # a ground station
        (Sender(255, 1), GCS, INVALID),  # one with an odd component number
        (Sender(7, 191), 18, INVALID),  # an onboard computer
        (Sender(7, 100), 30, INVALID),  # a camera
    ],
)
def test_others_are_not_adopted(sender: Sender, kind: int, autopilot: int) -> None:
    intake = Intake()
    assert intake.feed(sender.beat(kind, autopilot)) == []
    assert intake.system_id is None


def test_a_configured_system_is_waited_for() -> None:
    intake = Intake(system_id=9)
    assert intake.feed(Sender(7, 1).beat()) == []
    assert len(intake.feed(Sender(9, 1).beat())) == 1


def test_components_whose_word_counts() -> None:
    intake, autopilot = Intake(), Sender(1, 1)
    intake.feed(autopilot.beat())
    camera, battery, radio = Sender(1, 100), Sender(1, 180), Sender(51, 68)
    modem, stranger = Sender(1, 191), Sender(51, 1)
    assert not intake.feed(camera.position())
    assert not intake.feed(camera.frame(wire.BATTERY_STATUS))
    assert intake.feed(battery.frame(wire.BATTERY_STATUS))
    assert intake.feed(radio.frame(wire.RADIO_STATUS, rssi=100))
    assert intake.feed(modem.frame(wire.CELLULAR_STATUS, quality=50))
    assert not intake.feed(stranger.frame(wire.RADIO_STATUS, rssi=100))


def test_a_flood_of_others_hides_nothing() -> None:
    """Ten thousand unused messages of the same autopilot between ours, in one lap-breaking mix."""
    intake, autopilot = Intake(), Sender(1, 1)
    stream, ours = [autopilot.beat()], [0]
    for number in range(10_000):
        if number % 137 == 0:
            stream.append(autopilot.position(number))
            ours.append(number)
        else:
            autopilot._seq = (autopilot._seq + 1) % 256
            seq = autopilot._seq
            private = bytearray(build(wire.MISSION_CURRENT, b"\1" * 40, sysid=1, compid=1, seq=seq))
            private[7:10] = b"\x39\x30\x00"  # an id of no table of ours
            stream.append(bytes(private))
    got = intake.feed(b"".join(stream))
    assert len(got) == len(ours)
    assert [read_frame(frame.raw) for frame in got] == got  # as a replay will read them
    assert intake.order.lost == 0
    assert intake.counts.accepted == len(ours)


def test_with_a_key_only_rightly_signed_frames_count() -> None:
    signed = Sender(1, 1, Signer(KEY, newest=100))
    wrong = Sender(1, 1, Signer(bytes(32), newest=10**9))
    plain = Sender(1, 1)
    intake = Intake(key=KEY)
    assert not intake.feed(plain.beat() + wrong.beat())
    assert intake.system_id is None  # a forged heartbeat decides nothing
    beat = signed.beat()
    assert len(intake.feed(beat)) == 1
    assert not intake.feed(beat)  # recorded and sent again
    assert not intake.feed(plain.position() + wrong.position())
    assert len(intake.feed(signed.position())) == 1
    counts = intake.counts
    assert (counts.unsigned, counts.wrong_signature, counts.replayed) == (1, 1, 1)


def test_a_signature_of_an_earlier_run_is_too_old() -> None:
    # Developer guide: a new stream may be at most one minute (6 000 000 x 10 us) behind.
    newest = 10**8
    assert not Intake(key=KEY, newest_signature=newest).feed(
        Sender(1, 1, Signer(KEY, newest=newest - 6_000_002)).beat()
    )
    assert Intake(key=KEY, newest_signature=newest).feed(
        Sender(1, 1, Signer(KEY, newest=newest - 6_000_001)).beat()
    )


def test_without_a_key_signed_frames_count_too() -> None:
    assert Intake().feed(Sender(1, 1, Signer(KEY)).beat())


def test_mavlink_1_is_heard_and_counted() -> None:
    intake = Intake()
    assert intake.feed(bytes.fromhex("fe09000101000000000002035104037ddd"))
    assert intake.counts.mavlink1 == 1


def test_an_environment_that_ignores_crcs_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    refuse_unchecked_crc()
    monkeypatch.setenv("MAV_IGNORE_CRC", "1")
    with pytest.raises(LinkError, match="MAV_IGNORE_CRC"):
        refuse_unchecked_crc()
