"""Signatures: what is genuine, what is marked, what is set aside."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from scripted import TURN_T, Story

from supervisor.edge.acks import AckGate, AckRefused
from supervisor.edge.signatures import Signer, Verifier
from supervisor.messages import Ack, topic
from supervisor.watch.listener import Broker, Listener
from supervisor.watch.store import Store
from supervisor.watch.trust import Ring

pytest.importorskip("cryptography")
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from supervisor.edge.dial import BrokerAddress

STORY = Story()
AIRCRAFT, ADA, EVE = (Signer(Ed25519PrivateKey.generate()) for _ in range(3))
KEYS = {"heron-1": AIRCRAFT.public_raw, "Ada": ADA.public_raw}
STATUS = topic("heron-1", "status")


def listener(keys: dict[str, bytes] | None = None) -> Listener:
    ring = Ring("Ada", keys, ADA)
    return Listener(Broker(BrokerAddress.parse("mqtt://127.0.0.1")), Store(None), ring)


def told(one: Listener, where: str, payload: bytes, *, retained: bool = False) -> None:
    one.hear(where, payload, retained=retained)


def test_a_genuine_status_is_verified_and_a_forged_one_set_aside() -> None:
    one = listener(KEYS)
    good = AIRCRAFT.sign(STATUS, STORY.status(100.0).payload(), boot=1, order=1)
    told(one, STATUS, good)
    told(one, STATUS, EVE.sign(STATUS, STORY.status(200.0).payload(), boot=1, order=2))
    told(one, STATUS, STORY.status(300.0).payload())
    told(one, STATUS, good.replace(b"Fine", b"Fire"))
    picture = one.pictures["heron-1"]
    assert picture.status is not None
    assert (picture.status.t, picture.status_trust, picture.set_aside) == (100.0, "verified", 3)


def test_one_aircraft_cannot_speak_for_another() -> None:
    one = listener({**KEYS, "heron-2": EVE.public_raw})
    told(one, STATUS, EVE.sign(STATUS, STORY.status(200.0).payload(), boot=1, order=1))
    assert (one.pictures["heron-1"].status, one.pictures["heron-1"].set_aside) == (None, 1)


def test_the_brokers_copy_of_a_known_status_is_no_replay() -> None:
    one = listener(KEYS)
    payload = AIRCRAFT.sign(STATUS, STORY.status(100.0).payload(), boot=1, order=1)
    told(one, STATUS, payload)
    told(one, STATUS, payload, retained=True)
    assert one.pictures["heron-1"].set_aside == 0


def test_an_unverified_acknowledgement_is_shown_but_not_believed() -> None:
    one = listener(KEYS)
    for advisory in STORY.advisories(TURN_T):
        where = topic("heron-1", "advisory")
        told(one, where, AIRCRAFT.sign(where, advisory.payload(), boot=1, order=advisory.seq))
    ack = Ack(aircraft="heron-1", flight="f1", seq=3, by="Ada", utc="2031-05-14T14:06:00+00:00")
    told(one, topic("heron-1", "ack"), ack.payload())
    assert [s.trust for s in one.pictures["heron-1"].seen] == ["unverified"]


def test_what_we_send_bears_our_signature() -> None:
    where = topic("heron-1", "ack")
    sealed = Ring("Ada", None, ADA).sealed(where, b'{"seq":3}')
    checked = Verifier({"Ada": ADA.public_raw}, gapless=frozenset()).check(where, sealed)
    assert (checked.genuine, checked.by, checked.bare) == (True, "Ada", b'{"seq":3}')


def test_the_aircraft_takes_what_we_sign_and_only_that() -> None:
    """Our acknowledgement through the aircraft's own gate, twice, unsigned, and by another."""
    where = topic("heron-1", "ack")
    gate = AckGate("heron-1", "f1", {"Ada": ADA.public_raw})
    gate.raised(3, now_s=100.0)
    ack = Ack(aircraft="heron-1", flight="f1", seq=3, by="Ada", utc="2031-05-14T14:06:00+00:00")
    sealed = Ring("Ada", None, ADA).sealed(where, ack.payload())
    assert gate.judge(where, sealed, 110.0, math.nan).by == "Ada"
    for refused in (sealed, ack.payload(), Ring("Ada", None, EVE).sealed(where, ack.payload())):
        with pytest.raises(AckRefused):
            gate.judge(where, refused, 111.0, math.nan)


def test_without_a_list_of_keys_signed_messages_are_read_unchecked() -> None:
    one = listener(None)
    told(one, STATUS, AIRCRAFT.sign(STATUS, STORY.status(100.0).payload(), boot=1, order=1))
    assert one.pictures["heron-1"].status_trust == "unchecked"
    assert one.refused == 0


@pytest.mark.parametrize(
    ("where", "payload"),
    [
        ("homeleg/v1/../status", STORY.status(1.0).payload()),
        ("homeleg/v1/heron-9/status", STORY.status(1.0).payload()),
        (STATUS, b"\xff\xfe"),
        (STATUS, b"\x01not deflate"),
        (STATUS, b"[]"),
        (STATUS, b" " * 300_000),
        ("homeleg/v1/heron-1/unheard-of", b"{}"),
    ],
)
def test_what_is_not_ours_to_understand_is_dropped(where: str, payload: bytes) -> None:
    one = listener()
    told(one, where, payload)
    assert (one.refused, one.pictures) == (1, {})


def test_what_a_later_version_says_beyond_ours_is_left_aside() -> None:
    """A field may be added within homeleg/v1: an older watcher still understands the rest."""
    said = json.loads(STORY.status(1.0).payload())
    said["landing_lights"] = {"on": True}
    said["numbers"]["sunset_min"] = 12.0
    one = listener()
    told(one, STATUS, json.dumps(said).encode())
    assert one.refused == 0
    assert "heron-1" in one.pictures


def test_unreadable_key_files_are_the_users_fault(tmp_path: Path) -> None:
    from supervisor.errors import InputError

    with pytest.raises(InputError, match="nowhere"):
        Ring.of(tmp_path / "nowhere.toml", None, "Ada")
