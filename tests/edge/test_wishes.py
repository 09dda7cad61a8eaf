"""Only a known person's signature, for this aircraft and flight, arms or stops anything."""

from __future__ import annotations

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from supervisor.edge.acks import AckRefused
from supervisor.edge.signatures import Signer
from supervisor.edge.wishes import WishGate
from supervisor.messages import ReturnWish

TOPIC = "homeleg/v1/saltmere-1/return"
ANN, EVE = (Signer(Ed25519PrivateKey.generate()) for _ in range(2))


def wish(**changes: str) -> ReturnWish:
    fields = {"aircraft": "saltmere-1", "flight": "f1", "wish": "arm", "by": "ann", "utc": ""}
    return ReturnWish.model_validate(fields | changes)


def sent(message: ReturnWish, signer: Signer = ANN, topic: str = TOPIC, order: int = 1) -> bytes:
    return signer.sign(topic, message.payload(), boot=1, order=order)


def gate() -> WishGate:
    return WishGate("saltmere-1", "f1", {"ann": ANN.public_raw})


def test_a_rightly_signed_wish_counts_once() -> None:
    door = gate()
    assert door.judge(TOPIC, sent(wish())).wish == "arm"
    with pytest.raises(AckRefused, match="repeated"):
        door.judge(TOPIC, sent(wish()))
    assert door.judge(TOPIC, sent(wish(wish="stop"), order=2)).wish == "stop"
    with pytest.raises(AckRefused, match=r"repeated|replayed"):
        door.judge(TOPIC, sent(wish()))


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (wish().payload(), "unsigned"),
        (sent(wish(by="eve"), EVE), "unknown-key"),
        (sent(wish(by="bob")), "another person"),
        (sent(wish(flight="f0")), "another aircraft or flight"),
        (sent(wish(aircraft="saltmere-2")), "another aircraft or flight"),
        (sent(wish(), topic="homeleg/v1/saltmere-1/ack"), "forged"),
        (sent(wish()).replace(b'"arm"', b'"stop"'), "forged"),
        (b"x" * 5000, "too long"),
        (ANN.sign(TOPIC, b'{"schema_version":1}', boot=1, order=1), "not a wish"),
    ],
)
def test_anything_else_is_refused_with_its_reason(payload: bytes, why: str) -> None:
    with pytest.raises(AckRefused, match=why):
        gate().judge(TOPIC, payload)


def test_without_a_list_of_people_nobody_is_believed() -> None:
    door = WishGate("saltmere-1", "f1", None)
    with pytest.raises(AckRefused, match="unsigned"):
        door.judge(TOPIC, wish().payload())
    with pytest.raises(AckRefused, match="unknown-key"):
        door.judge(TOPIC, sent(wish()))
