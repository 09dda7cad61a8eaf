"""Robustness figures by one command, printed as a table.

``python tests/robust/table.py`` (some forty minutes of one core) or ``--short`` (a minute).
Each row is a subject, what was done to it, how often, and what came of it; a broken expectation
ends the run with its case. Every case is drawn from a fixed seed.
"""

from __future__ import annotations

import json
import math
import random
import struct
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import robust_intake
from airframe import Airframe
from living import LIGHT, by_tests, day, fuzzed, killed, silences
from table_row import Row

from sim import scenario
from supervisor.daemonfile import load_daemon_file
from supervisor.edge import wire
from supervisor.edge.acks import AckGate, AckRefused
from supervisor.edge.frames import build
from supervisor.edge.intake import Intake
from supervisor.edge.outbox import Outbox
from supervisor.edge.signatures import load_keyring
from supervisor.edge.wishes import WishGate
from supervisor.errors import HomelegError
from supervisor.flightfile import load_flight
from supervisor.line import Line
from supervisor.messages import Ack, Advisory

ROOT = Path(__file__).resolve().parents[2]
FLIGHT_FILE = scenario.FOLDER / "estuary" / "flight.toml"
FLIGHT = load_flight(FLIGHT_FILE)
DISK_TESTS = (
    "tests/system/test_aboard_limits.py::test_a_full_disk_is_said_survived_and_made_up_for",
    "tests/system/test_aboard_limits.py::test_without_file_descriptors_it_goes_on",
    "tests/edge/test_outbox.py::test_a_really_full_file_system",
    "tests/edge/test_recorder.py::test_a_slow_disk_does_not_hold_up_the_writer",
)


def hurt(data: bytes, draw: random.Random) -> bytes:
    """Cut, flipped, doubled or mixed with rubbish."""
    out = bytearray(data)
    for _ in range(draw.choice((1, 1, 2, 8))):
        at = draw.randrange(len(out) or 1)
        match draw.randrange(5):
            case 0 if out:
                out[at % len(out)] ^= 1 << draw.randrange(8)
            case 1:
                del out[at:]
            case 2:
                out[at:at] = draw.randbytes(draw.randint(1, 8))
            case 3:
                del out[at : at + draw.randint(1, 20)]
            case _:
                out[at:at] = draw.choice(
                    (b"nan", b"-1e999", b'"', b"{", b"9" * 40, b"\x00", b"\xff")
                )
    return bytes(out)


# --- readers -----------------------------------------------------------------------------------


def file_readers(cases: int, draw: random.Random) -> Row:
    """Flight file, daemon file, list of keys: accepted, or refused with our own error."""
    keyring = b'[keys]\n"ann" = "' + b"A" * 43 + b'="\n'
    readers: list[tuple[bytes, Callable[[Path], object]]] = [
        (FLIGHT_FILE.read_bytes(), load_flight),
        ((ROOT / "deploy" / "homeleg.toml").read_bytes(), load_daemon_file),
        (keyring, load_keyring),
    ]
    refused = 0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "hurt.toml"
        for case in range(cases):
            whole, read = readers[case % len(readers)]
            path.write_bytes(hurt(whole, draw))
            try:
                read(path)
            except HomelegError:
                refused += 1
    return Row("flight, daemon and key files, mutated", cases, f"{refused} refused, 0 faults")


def topic_readers(cases: int, draw: random.Random) -> Row:
    """What comes to the aircraft by topic: nothing hurt is believed when signatures are asked."""
    ack = Ack(aircraft="a1", flight="f1", seq=1, by="ann", utc="2026-11-25T10:00:00Z").payload()
    people = {"ann": bytes(32)}
    gates = [AckGate("a1", "f1", None), AckGate("a1", "f1", people)]
    wishes = WishGate("a1", "f1", people)
    for gate in gates:
        gate.raised(1, 0.0)
    taken = 0
    for case in range(cases):
        data = hurt(ack, draw)
        try:
            if case % 3 == 2:
                wishes.judge("homeleg/v1/a1/return", data)
                raise AssertionError("an unsigned wish was believed")
            gates[case % 3].judge("homeleg/v1/a1/ack", data, 1.0, math.nan)
            assert case % 3 == 0, "an unsigned acknowledgement was believed"
            taken += 1
        except AckRefused:
            pass
    return Row("acknowledgements and wishes, mutated", cases, f"{taken} still valid, 0 faults")


# --- values ------------------------------------------------------------------------------------


def absurd(struct_format: str) -> list[object]:
    """Extremes of a field's type, NaN and infinities among them."""
    if struct_format == "f":
        return [math.nan, math.inf, -math.inf, 3.4e38, -3.4e38, 0.0]
    bits = 8 * struct.calcsize("<" + struct_format)
    if struct_format.isupper():
        return [0, 1, (1 << bits) - 1, 1 << (bits - 1)]
    return [0, -1, (1 << (bits - 1)) - 1, -(1 << (bits - 1))]


def field_cases() -> Iterator[tuple[int, bytes]]:
    """Every field of every message that is read, at every extreme, all else zero."""
    for msgid, row in sorted(wire.ROWS.items()):
        plain = struct.unpack(row.layout.format, bytes(row.layout.size))
        codes = _codes(row.layout.format.lstrip("<"))
        for place, code in enumerate(codes):
            if code == "s":
                continue
            for value in absurd(code):
                values = list(plain)
                values[place] = value
                yield msgid, row.layout.pack(*values).rstrip(b"\0") or b"\0"


def _codes(layout: str) -> list[str]:
    """``10HB50s`` -> ten H, a B, an s."""
    codes, count = [], ""
    for letter in layout:
        if letter.isdigit():
            count += letter
            continue
        codes += [letter] if letter == "s" else [letter] * int(count or 1)
        count = ""
    return codes


def values(every: int) -> Row:
    """Each absurd value amid a good flight, then a look: finite numbers or none, never a fault."""
    line, intake, airframe = Line(FLIGHT, "f", LIGHT), Intake(system_id=1), Airframe()
    looked = cases = 0
    t_s = 0.0
    for number, (msgid, payload) in enumerate(field_cases()):
        if number % every:
            continue
        cases += 1
        t_s += 2.0  # time for a look at most of them
        airframe.mav.seq = (airframe.mav.seq + 1) % 256
        strange = build(msgid, payload, sysid=1, compid=1, seq=(airframe.mav.seq - 1) % 256)
        data = strange + b"".join(airframe.frames(t_s))
        for frame in intake.feed(data):
            for said in line.frame(frame, round(t_s * 1e9)):
                text = said.model_dump_json() if isinstance(said, Advisory) else repr(said)
                assert "nan" not in text.lower() or not isinstance(said, Advisory), text
                looked += 1
    return Row("NaN and absurd values in every field", cases, f"{looked} conclusions, 0 faults")


def clock_jumps(jumps: int, draw: random.Random) -> Row:
    """SYSTEM_TIME that jumps by years: the advisories are those of a flight without a jump."""

    def flown(offsets: dict[int, int]) -> list[tuple[float, int, str, str]]:
        line, intake, airframe = Line(FLIGHT, "f", LIGHT), Intake(), Airframe()
        said: list[tuple[float, int, str, str]] = []
        years = 0
        for second in range(600):
            years = offsets.get(second, years)
            frames = airframe.frames(float(second))
            frames = [_shifted(f, years) for f in frames]
            for frame in intake.feed(b"".join(frames)):
                concluded = line.frame(frame, second * 1_000_000_000)
                advisories = [m for m in concluded if isinstance(m, Advisory)]
                said += [(m.t, m.seq, m.condition, m.level) for m in advisories]
        return said

    plain = flown({})
    for _ in range(jumps):
        moments = {draw.randrange(600): draw.randint(-30, 30) for _ in range(20)}
        assert flown(moments) == plain, moments
    return Row("20 jumps of the date by up to 30 years in a flight", jumps, "same advisories")


def _shifted(raw: bytes, years: int) -> bytes:
    """The frame, with its date moved if it is a SYSTEM_TIME."""
    if int.from_bytes(raw[7:10], "little") != wire.SYSTEM_TIME or not years:
        return raw
    unix_us, boot_ms = wire.unpack(wire.SYSTEM_TIME, raw[10 : 10 + raw[1]])
    moved = max(unix_us + years * 31_557_600_000_000, 0)
    payload = wire.pack(wire.SYSTEM_TIME, time_unix_usec=moved, time_boot_ms=boot_ms)
    return build(wire.SYSTEM_TIME, payload, sysid=1, compid=1, seq=raw[4])


# --- power cuts --------------------------------------------------------------------------------


def outboxes(cases: int, draw: random.Random) -> Row:
    """An outbox cut off or flipped anywhere opens, works, and invents no advisory."""
    with tempfile.TemporaryDirectory() as folder:
        model = Path(folder) / "model.sqlite"
        box = Outbox(model)
        payloads = [b"advisory %d " % n + bytes(draw.randrange(200)) for n in range(40)]
        for seq, payload in enumerate(payloads):
            box.put(seq, payload)
        box.close()
        whole, kept_least, intact = model.read_bytes(), 40, 0
        for case in range(cases):
            path = Path(folder) / f"{case}.sqlite"
            data = bytearray(whole[: draw.randrange(len(whole) + 1)] if case % 2 else whole)
            for _ in range(draw.choice((0, 1, 5)) if data else 0):
                data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
            path.write_bytes(data)
            damaged = Outbox(path)
            found = [held.payload for held in damaged.pending()]
            intact += found == payloads
            kept_least = min(kept_least, len(found))
            damaged.put(99, b"after")
            assert damaged.pending()[-1].payload == b"after", case
            damaged.close()
            again = Outbox(path)
            assert again.pending()[-1].payload == b"after", case
            again.close()
            for left in Path(folder).glob(f"{case}.*"):
                left.unlink()
    return Row("outboxes cut and flipped", cases, f"all work on; {intact} lost nothing")


# --- the table ---------------------------------------------------------------------------------


def rows(*, short: bool = False) -> Iterator[Row]:
    """Every subject, short or in full."""
    share = 200 if short else 1
    for row in robust_intake.rows(short=short):
        rest = ", ".join(f"{k} {v}" for k, v in row.items() if k not in ("subject", "value"))
        yield Row(str(row["subject"]), int(row["value"]), rest)
    draw = random.Random(20261125)
    yield file_readers(20_000 // share, draw)
    yield topic_readers(100_000 // share, draw)
    yield values(every=7 if short else 1)
    yield clock_jumps(1 if short else 10, draw)
    yield outboxes(2_000 // (share // 4 or 1), draw)
    yield silences(3 if short else 200, draw)
    yield by_tests("disk full, slow, descriptors exhausted", DISK_TESTS)
    yield killed(2 if short else 200)
    yield fuzzed(2_000 if short else 1_000_000)
    yield day(1 if short else 24)


def main() -> None:
    """Print the table, row by row."""
    found = []
    for row in rows(short="--short" in sys.argv):
        found.append(row)
        print(f"{row.cases:>12,}  {row.subject:52} {row.outcome}", flush=True)
    if "--json" in sys.argv:
        print(json.dumps([[r.subject, r.cases, r.outcome] for r in found]))


if __name__ == "__main__":
    main()
