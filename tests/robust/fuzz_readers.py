"""Coverage-guided fuzzing of everything that reads bytes; needs ``pip install atheris``.

``python tests/robust/fuzz_readers.py -runs=200000`` (libFuzzer's options; a folder given keeps what
was found). The first byte of an input chooses the reader, the rest is read. A reader may refuse
with an error of our own; anything else it raises ends the run and leaves the input in a file.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import atheris  # type: ignore[import-not-found]  # noqa: E402

with atheris.instrument_imports(include=["supervisor"]):
    from supervisor.daemonfile import load_daemon_file
    from supervisor.edge.acks import AckGate, AckRefused
    from supervisor.edge.decoder import Decoder
    from supervisor.edge.frames import Splitter
    from supervisor.edge.intake import Intake
    from supervisor.edge.recorder import opening
    from supervisor.edge.recording import Recording
    from supervisor.edge.signatures import load_keyring
    from supervisor.edge.wishes import WishGate
    from supervisor.errors import HomelegError
    from supervisor.flightfile import load_flight
    from supervisor.learned import load_pack
    from supervisor.messages import Ack
    from supervisor.priors import prior_of

ESTUARY = ROOT / "sim" / "scenarios" / "estuary" / "flight.toml"
FLIGHT = load_flight(ESTUARY)
FOLDER = Path(tempfile.mkdtemp(dir="/dev/shm" if os.path.isdir("/dev/shm") else None))
PEOPLE = {"ann": bytes(32)}
ACK = Ack(aircraft="a1", flight="f1", seq=1, by="ann", utc="2026-11-25T10:00:00Z").payload()


def frames(data: bytes) -> None:
    """Two ways of cutting the same bytes give the same frames; none upsets the decoder."""
    whole, intake, decoder = Splitter().feed(data), Intake(system_id=1), Decoder()
    pieces, half = Splitter(), len(data) // 2
    assert [*pieces.feed(data[:half]), *pieces.feed(data[half:])] == whole
    for frame in intake.feed(data):
        decoder.decode(frame, 1.0)


def from_file(read: Callable[[Path], object]) -> Callable[[bytes], None]:
    """A reader of files as one of bytes."""

    def run(data: bytes) -> None:
        path = FOLDER / "pack-P07.json"
        path.write_bytes(data)
        read(path)

    return run


def recording(path: Path) -> None:
    """A recording is read to its end, whatever stands in it."""
    for _ in Recording(path).messages():
        pass


def topics(data: bytes) -> None:
    """Nothing without a signature is ever believed."""
    gate, wishes = AckGate("a1", "f1", PEOPLE), WishGate("a1", "f1", PEOPLE)
    gate.raised(1, 0.0)
    for judge in (
        lambda: gate.judge("homeleg/v1/a1/ack", data, 1.0, 0.0),
        lambda: wishes.judge("homeleg/v1/a1/return", data),
    ):
        try:
            judge()
        except AckRefused:
            continue
        raise AssertionError("an unsigned message was believed")


READERS: tuple[Callable[[bytes], None], ...] = (
    frames,
    from_file(load_flight),
    from_file(load_daemon_file),
    from_file(load_keyring),
    from_file(recording),
    from_file(lambda path: load_pack(path.parent, "P07")),
    topics,
    lambda data: prior_of(data.decode("utf-8", "replace"), FLIGHT, "here") and None,
)


def one_input(data: bytes) -> None:
    """What the fuzzer calls."""
    if data:
        with suppress(HomelegError):
            READERS[data[0] % len(READERS)](data[1:])


def seeds(folder: Path) -> None:
    """A good input for each reader, to begin from."""
    good = {
        0: bytes.fromhex("fd0900000001010000000000000016030004030000"),
        1: ESTUARY.read_bytes(),
        2: (ROOT / "deploy" / "homeleg.toml").read_bytes(),
        3: b'[keys]\n"ann" = "' + b"A" * 43 + b'="\n',
        4: opening({"flight": "f1"})[0],
        5: b'{"schema_version": 2, "pack_id": "P07", "figures": {}, "logbook": []}',
        6: ACK,
        7: b'{"capacity_ah": 19.6, "power": null, "pack": null}',
    }
    for number, data in good.items():
        (folder / f"seed-{number}").write_bytes(bytes([number]) + data)


def main() -> None:
    """Fuzz with the options given."""
    corpus = FOLDER / "corpus"
    corpus.mkdir()
    seeds(corpus)
    atheris.Setup([*sys.argv, str(corpus), "-max_len=8192"], one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
