"""Robustness of what reads bytes and recordings, in long form; prints a table as JSON.

Run: ``python tests/bench/robust_intake.py`` (about two minutes of one core; ``--short``: seconds).
Any exception ends it; a broken expectation is an AssertionError with the case's seed.
"""

from __future__ import annotations

import json
import random
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))


from pymavlink.dialects.v20 import common

from supervisor.edge import wire
from supervisor.edge.decoder import Decoder
from supervisor.edge.frames import Splitter
from supervisor.edge.intake import Intake
from supervisor.edge.mcap_format import chunk_record, message_record
from supervisor.edge.recorder import opening
from supervisor.edge.recording import Recording
from tests.bench.traffic import stream

PIECE = 4096


def garbage(total: int, rng: random.Random) -> dict[str, Any]:
    """Random bytes, many of them magic, none a frame of ours."""
    intake, decoder, found = Intake(system_id=1), Decoder(), 0
    for _ in range(total // PIECE):
        data = bytearray(rng.randbytes(PIECE))
        for at in rng.choices(range(PIECE), k=PIECE // 40):
            data[at] = rng.choice((0xFD, 0xFE))
        for frame in intake.feed(bytes(data)):
            found += 1
            decoder.decode(frame, 1.0)
    return {"subject": "random bytes read", "value": total, "false_frames": found}


def mutated(total: int, rng: random.Random) -> dict[str, Any]:
    """Good frames of which half are damaged: flipped, cut, doubled, run together."""
    frames = stream(5_000, with_unused=True)
    intake, decoder = Intake(system_id=1), Decoder()
    splitter, good, found = Splitter(), 0, 0
    known = set(frames)
    for _ in range(total // 100):
        parts = []
        for raw in rng.choices(frames, k=100):
            hurt = _hurt(raw, rng) if rng.random() < 0.5 else raw
            good += hurt == raw and int.from_bytes(raw[7:10], "little") in wire.ROWS
            parts.append(hurt)
        data = b"".join(parts) + bytes(300)
        for frame in intake.feed(data):
            decoder.decode(frame, 1.0)
        found += sum(frame.raw in known for frame in splitter.feed(data) if frame.raw)
    assert found >= good, f"{good - found} good frames were not found"
    return {"subject": "frames, half of them damaged", "value": total, "good": good, "found": found}


def _hurt(raw: bytes, rng: random.Random) -> bytes:
    data, at = bytearray(raw), rng.randrange(len(raw))
    match rng.randrange(5):
        case 0:
            data[at] ^= 1 << rng.randrange(8)
        case 1:
            data[at] = rng.randrange(256)
        case 2:
            del data[at:]
        case 3:
            data[at:at] = rng.randbytes(rng.randint(1, 20))
        case _:
            del data[at : at + rng.randint(1, 5)]
    return bytes(data)


def identical(total: int) -> dict[str, Any]:
    """Values of all fields, ours and the reference library's, from the same bytes."""
    compared, fields = 0, 0
    for seed in range(total // 10_000):
        data = b"".join(stream(10_000, with_unused=False, seed=seed))
        mav = common.MAVLink(None)
        theirs, ours = mav.parse_buffer(data), Splitter().feed(data)
        assert len(theirs) == len(ours), seed
        for frame, message in zip(ours, theirs, strict=True):
            for name, value in wire.named(frame.msgid, frame.payload).items():
                reference = getattr(message, name)
                same = list(value) == reference if isinstance(value, tuple) else value == reference
                assert same, (seed, message, name)
                fields += 1
            compared += 1
    return {"subject": "frames with the reference's values", "value": compared, "fields": fields}


def recordings(cases: int, rng: random.Random) -> dict[str, Any]:
    """Recordings cut and bit-flipped anywhere after the opening."""
    frames = stream(2_000, with_unused=False)
    start = opening({"flight": "robust"})[0]
    chunks = []
    for first in range(0, len(frames), 40):
        part = frames[first : first + 40]
        records = b"".join(message_record(1, i, first + i, f) for i, f in enumerate(part))
        chunks.append(chunk_record(records, first, first + 39))
    whole, known, worst = start + b"".join(chunks), set(frames), 0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hurt.mcap"
        for case in range(cases):
            data = bytearray(whole[: rng.randrange(len(start), len(whole) + 1)])
            flips = rng.choice((0, 1, 1, 5)) if len(data) > len(start) else 0
            for _ in range(flips):
                data[rng.randrange(len(start), len(data))] ^= 1 << rng.randrange(8)
            path.write_bytes(data)
            found = [raw for _, _, raw in Recording(path).messages()]
            assert known.issuperset(found), case
            reachable = sum(len(start) + _end(chunks, i) <= len(data) for i in range(len(chunks)))
            lost = reachable - len(found) // 40
            assert lost <= flips, (case, lost, flips)
            worst = max(worst, lost)
    return {"subject": "recordings cut and flipped", "value": cases, "most_chunks_lost": worst}


def _end(chunks: list[bytes], index: int) -> int:
    return sum(map(len, chunks[: index + 1]))


def rows(*, short: bool = False) -> list[dict[str, Any]]:
    """One row a subject."""
    rng, share = random.Random(11), 200 if short else 1
    return [
        garbage(50_000_000 // share, rng),
        mutated(1_000_000 // share, rng),
        identical(1_000_000 // share * (2 if short else 1)),
        recordings(2_000 // share, rng),
    ]


if __name__ == "__main__":
    print(json.dumps(rows(short="--short" in sys.argv), indent=2))
