"""Acknowledgements: authenticated, for one advisory, within a time window, once."""

from __future__ import annotations

import math

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from supervisor.edge.acks import AckGate, AckRefused
from supervisor.edge.signatures import Signer
from supervisor.messages import Ack

TOPIC = "homeleg/v1/saltmere-1/ack"
DATE_S = 1_795_600_000.0  # 2026-11-25T09:46:40Z (date -u -d @1795600000)
UTC = "2026-11-25T09:46:40Z"
ANN = Signer(Ed25519PrivateKey.generate())
EVE = Signer(Ed25519PrivateKey.generate())


def ack(**changes: object) -> Ack:
    fields = {"aircraft": "saltmere-1", "flight": "f1", "seq": 1, "by": "ann", "utc": UTC}
    return Ack.model_validate(fields | changes)


def sent(message: Ack, signer: Signer = ANN, order: int = 1, topic: str = TOPIC) -> bytes:
    return signer.sign(topic, message.payload(), boot=1, order=order)


@pytest.fixture
def gate() -> AckGate:
    gate = AckGate("saltmere-1", "f1", {"ann": ANN.public_raw, "bob": EVE.public_raw})
    gate.raised(1, 100.0)
    gate.raised(2, 200.0)
    return gate


def why(gate: AckGate, payload: bytes, now_s: float = 110.0, unix_s: float = DATE_S) -> str:
    with pytest.raises(AckRefused) as refused:
        gate.judge(TOPIC, payload, now_s, unix_s)
    return str(refused.value)


def test_a_good_one_counts_once(gate: AckGate) -> None:
    assert gate.judge(TOPIC, sent(ack()), 110.0, DATE_S).by == "ann"
    assert why(gate, sent(ack())) == "repeated"
    assert why(gate, sent(ack(), order=2)) == "already acknowledged"
    assert gate.judge(TOPIC, sent(ack(seq=2), order=3), 210.0, math.nan).seq == 2


def test_who(gate: AckGate) -> None:
    stranger = Signer(Ed25519PrivateKey.generate())
    assert why(gate, ack().payload()) == "unsigned"
    assert why(gate, sent(ack(), stranger)) == "unknown-key"
    assert why(gate, sent(ack()).replace(b'"seq":1', b'"seq":2')) == "forged"
    assert why(gate, sent(ack(), EVE)) == "signed by another person than it names"


def test_for_what(gate: AckGate) -> None:
    assert "another aircraft" in why(gate, sent(ack(flight="f0")))
    assert "not raised" in why(gate, sent(ack(seq=9), order=2))
    other = "homeleg/v1/farrow-2/ack"
    assert why(gate, sent(ack(), topic=other, order=3)) == "forged"


def test_when(gate: AckGate) -> None:
    assert why(gate, sent(ack()), now_s=100.0 + 1801.0) == "too late"
    late = "its date is outside the window"
    assert why(gate, sent(ack(utc="2026-11-25T06:00:00Z"), order=2)) == late
    assert "no time zone" in why(gate, sent(ack(utc="2026-11-25T09:46:40"), order=3))
    assert "cannot be read" in why(gate, sent(ack(utc="today"), order=4))
    # Without a date of its own the aircraft still has its monotonic clock.
    assert gate.judge(TOPIC, sent(ack(utc="1999-01-01T00:00:00Z"), order=5), 110.0, math.nan)


def test_rubbish(gate: AckGate) -> None:
    assert why(gate, b"{" * 5000) == "too long"
    assert why(gate, b"\xff\x00") == "unsigned"
    rubbish = ANN.sign(TOPIC, b'{"a":1}', boot=1, order=1)
    assert why(gate, rubbish) == "not an acknowledgement"


def test_without_people_unsigned_ones_count() -> None:
    gate = AckGate("saltmere-1", "f1", None)
    gate.raised(1, 0.0)
    assert gate.judge(TOPIC, ack().payload(), 1.0, math.nan).seq == 1
