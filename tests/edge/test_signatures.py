"""Signatures end to end: what a broker that was taken over could try, and what is seen of it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from examples import advisory, status
from hypothesis import given
from hypothesis import strategies as st

from supervisor.edge import signatures
from supervisor.edge.signatures import Signer, Verdict, Verifier, split
from supervisor.errors import InputError
from supervisor.messages import Advisory

TOPIC = "homeleg/v1/saltmere-1/advisory"
STATUS = "homeleg/v1/saltmere-1/status"


@pytest.fixture
def signer() -> Signer:
    return Signer(Ed25519PrivateKey.generate())


@pytest.fixture
def verifier(signer: Signer) -> Verifier:
    return Verifier({"saltmere-1": signer.public_raw})


def signed(signer: Signer, n: int, boot: int = 1, topic: str = TOPIC) -> bytes:
    return signer.sign(topic, advisory(n).payload(), boot=boot, order=n)


def test_rfc_8032_section_7_1_test_2() -> None:
    """The library signs as the standard's own example does (values from memory of RFC 8032)."""
    secret = bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
    public = bytes.fromhex("3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c")
    value = bytes.fromhex(
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
    key = Ed25519PrivateKey.from_private_bytes(secret)
    assert Signer(key).public_raw == public
    assert key.sign(b"\x72") == value


def test_a_signed_message_is_the_same_json_with_one_more_member(signer: Signer) -> None:
    plain = advisory(7).payload()
    payload = signer.sign(TOPIC, plain, boot=3, order=7)
    read = json.loads(payload)
    signature = read.pop("signature")
    assert read == json.loads(plain)
    assert (signature["boot"], signature["order"]) == (3, 7)
    assert split(payload)[0] == plain
    assert Advisory.model_validate_json(payload).seq == 7  # a reader may ignore it


def test_an_independent_check_needs_only_this_text(signer: Signer) -> None:
    """What a program of somebody else would do, from the module's description alone."""
    payload = signed(signer, 7)
    front, _, tail = payload.rpartition(b',"signature":')
    signature = json.loads(tail[:-1])
    text = b"homeleg/v1\n" + TOPIC.encode() + b"\n1\n7\n" + front + b"}"
    import base64

    value = base64.urlsafe_b64decode(signature["value"] + "==")
    Ed25519PublicKey.from_public_bytes(signer.public_raw).verify(value, text)


def test_genuine_in_order(signer: Signer, verifier: Verifier) -> None:
    verdicts = [verifier.check(TOPIC, signed(signer, n)) for n in (1, 2, 3)]
    assert [v.verdict for v in verdicts] == [Verdict.GENUINE] * 3
    assert [v.missing for v in verdicts] == [0, 0, 0]
    assert verdicts[0].by == "saltmere-1"


def test_invented(verifier: Verifier) -> None:
    other = Signer(Ed25519PrivateKey.generate())
    assert verifier.check(TOPIC, signed(other, 1)).verdict is Verdict.UNKNOWN_KEY
    assert verifier.check(TOPIC, advisory(1).payload()).verdict is Verdict.UNSIGNED


def test_invented_under_a_known_key_s_name(signer: Signer, verifier: Verifier) -> None:
    other = Signer(Ed25519PrivateKey.generate())
    payload = signed(other, 1).replace(other.key_id.encode(), signer.key_id.encode())
    assert verifier.check(TOPIC, payload).verdict is Verdict.FORGED


@given(at=st.integers(0, 10_000), bit=st.integers(0, 7))
def test_changed_anywhere_is_never_genuine(at: int, bit: int) -> None:
    signer = Signer(Ed25519PrivateKey.from_private_bytes(bytes(32)))
    payload = bytearray(signed(signer, 5))
    payload[at % len(payload)] ^= 1 << bit
    verifier = Verifier({"saltmere-1": signer.public_raw})
    checked = verifier.check(TOPIC, bytes(payload))
    if checked.genuine:  # base64 has spare bits in its last digit: the same signature
        assert checked.bare == advisory(5).payload()
        assert checked.signature is not None
        assert checked.signature.order == 5


def test_replaced_by_one_of_another_topic(signer: Signer, verifier: Verifier) -> None:
    assert verifier.check(STATUS, signed(signer, 1)).verdict is Verdict.FORGED


def test_replayed_and_reordered(signer: Signer, verifier: Verifier) -> None:
    first, second, third = (signed(signer, n) for n in (1, 2, 3))
    assert verifier.check(TOPIC, first).genuine
    withheld = verifier.check(TOPIC, third)
    assert withheld.genuine
    assert withheld.missing == 1
    assert verifier.check(TOPIC, second).verdict is Verdict.REPLAYED
    assert verifier.check(TOPIC, third).verdict is Verdict.REPEATED  # QoS 1 may; nothing new
    assert verifier.check(TOPIC, first).verdict is Verdict.REPEATED


def test_an_advisory_of_last_week_is_replayed_after_a_restart(
    signer: Signer, verifier: Verifier
) -> None:
    old = signed(signer, 3, boot=1)
    assert verifier.check(TOPIC, signed(signer, 9, boot=2)).genuine
    assert verifier.check(TOPIC, old).verdict is Verdict.REPLAYED


def test_status_numbers_begin_again_with_each_power_up(signer: Signer, verifier: Verifier) -> None:
    def of(t: float, boot: int, order: int) -> bytes:
        return signer.sign(STATUS, status(t).payload(), boot=boot, order=order)

    assert verifier.check(STATUS, of(1.0, 1, 500)).genuine
    assert verifier.check(STATUS, of(1.0, 2, 1)).genuine
    assert verifier.check(STATUS, of(9.0, 1, 501)).verdict is Verdict.REPLAYED


def test_key_files(tmp_path: Path, signer: Signer) -> None:
    ring = tmp_path / "aircraft.toml"
    ring.write_text("[keys]\n" + signatures.keyring_line("saltmere-1", signer.public_raw))
    assert signatures.load_keyring(ring) == {"saltmere-1": signer.public_raw}
    ring.write_text('[keys]\n"saltmere-1" = "AAAA"\n')
    with pytest.raises(InputError, match="saltmere-1 is no public key"):
        signatures.load_keyring(ring)
    (tmp_path / "bad.pem").write_text("not a key")
    with pytest.raises(InputError, match="no readable private key"):
        Signer.from_file(tmp_path / "bad.pem")
