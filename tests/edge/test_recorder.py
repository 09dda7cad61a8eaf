"""Recordings: written, cut off, damaged, and read by somebody else's reader."""

from __future__ import annotations

import errno
import itertools
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from mcap.reader import make_reader
from patience import PATIENCE_S, allowed

from supervisor import messages
from supervisor.edge import recorder as recorder_module
from supervisor.edge.frames import build
from supervisor.edge.recorder import Recorder
from supervisor.edge.recording import Recording
from supervisor.edge.wire import GLOBAL_POSITION_INT, pack
from supervisor.errors import InputError

METADATA = {"flight": "heron-1-00001", "seed": "7", "flight_file": 'schema = 1\nname = "Größe"'}


def frame(number: int) -> bytes:
    payload = pack(GLOBAL_POSITION_INT, time_boot_ms=number * 10, lat=number, lon=-number)
    return build(GLOBAL_POSITION_INT, payload, sysid=1, compid=1, seq=number)


def until(true: Callable[[], bool], seconds: float = PATIENCE_S) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "in vain"
        time.sleep(0.005)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Many small chunks, soon."""
    monkeypatch.setattr(recorder_module, "PERIOD_S", 0.01)
    monkeypatch.setattr(recorder_module, "RETRY_S", 0.02)


def write_flight(path: Path, count: int = 1000, chunks: int = 20) -> list[tuple[str, int, bytes]]:
    sent: list[tuple[str, int, bytes]] = []
    with Recorder(path, METADATA) as recorder:
        for number in range(count):
            sent.append(("mavlink", number * 10_000_000, frame(number)))
            if number % 50 == 0:
                sent.append(("status", number * 10_000_000, b'{"n": %d}' % number))
        size = len(sent) // chunks + 1
        for start in range(0, len(sent), size):
            for topic, t_ns, data in sent[start : start + size]:
                recorder.write(topic, t_ns, data)
            written = start
            until(lambda: recorder.written > written)  # noqa: B023
    return sent


@pytest.mark.usefixtures("quick")
def test_what_was_written_is_read(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "down" / "a.mcap"
    sent = write_flight(path)
    recording = Recording(path)
    assert recording.metadata == METADATA
    assert list(recording.messages()) == sent
    assert list(recording.messages({"status"})) == [entry for entry in sent if entry[0] == "status"]
    assert (recording.complete, recording.damaged) == (True, 0)


@pytest.mark.usefixtures("quick")
def test_the_format_s_own_reader_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    sent = write_flight(path)
    with path.open("rb") as file:
        reader = make_reader(file, validate_crcs=True)
        summary = reader.get_summary()
        assert summary is not None
        assert summary.statistics is not None
        assert summary.statistics.message_count == len(sent)
        assert summary.statistics.message_end_time == sent[-1][1]
        found = [(c.topic, m.log_time, m.data) for _, c, m in reader.iter_messages()]
        (metadata,) = reader.iter_metadata()
    assert found == sorted(sent, key=lambda entry: entry[1])
    assert metadata.metadata == METADATA
    by_topic = {channel.topic: channel for channel in summary.channels.values()}
    assert by_topic["mavlink"].message_encoding == "mavlink2"
    for topic in ("status", "advisory", "ack", "plan"):
        schema = summary.schemas[by_topic[topic].schema_id]
        assert (schema.encoding, by_topic[topic].message_encoding) == ("jsonschema", "json")
        Draft202012Validator.check_schema(json.loads(schema.data))
    ack = messages.Ack(aircraft="a", flight="f", seq=1, by="p", utc="2026-01-01T00:00:00Z")
    schema = summary.schemas[by_topic["ack"].schema_id]
    Draft202012Validator(json.loads(schema.data)).validate(json.loads(ack.payload()))


@pytest.mark.usefixtures("quick")
def test_cut_off_anywhere_it_is_read_up_to_its_last_whole_chunk(tmp_path: Path) -> None:
    path, rng = tmp_path / "a.mcap", random.Random(1)
    sent = write_flight(path, chunks=40)
    whole = path.read_bytes()
    cut = tmp_path / "cut.mcap"
    counts = []
    for size in sorted(rng.randrange(8, len(whole)) for _ in range(300)):
        cut.write_bytes(whole[:size])
        found = list(Recording(cut).messages())
        assert found == sent[: len(found)]
        counts.append(len(found))
    assert counts == sorted(counts)
    steps = sorted(set(counts))
    assert max(b - a for a, b in itertools.pairwise(steps)) <= 3 * len(sent) // 40


@pytest.mark.usefixtures("quick")
def test_a_damaged_place_costs_its_chunk_and_no_other(tmp_path: Path) -> None:
    path, rng = tmp_path / "a.mcap", random.Random(2)
    sent = write_flight(path, chunks=20)
    whole = path.read_bytes()
    hurt = tmp_path / "hurt.mcap"
    everything = set(sent)
    first_chunk = whole.index(b"\x04\0\0\0zstd") - 37
    for _ in range(300):
        data = bytearray(whole)
        data[rng.randrange(first_chunk, len(data))] ^= rng.randint(1, 255)
        hurt.write_bytes(data)
        found = list(Recording(hurt).messages())
        assert everything.issuperset(found)
        assert len(found) >= len(sent) - (len(sent) // 20 + 1)


@pytest.mark.usefixtures("quick")
def test_no_damage_makes_the_reader_raise(tmp_path: Path) -> None:
    path, rng = tmp_path / "a.mcap", random.Random(3)
    write_flight(path, count=200, chunks=5)
    whole = path.read_bytes()
    hurt = tmp_path / "hurt.mcap"
    for _ in range(300):
        data = bytearray(whole[: rng.randrange(8, len(whole))])
        for _ in range(rng.randint(1, 40)):
            if len(data) > 8:
                data[rng.randrange(8, len(data))] = rng.randrange(256)
        hurt.write_bytes(data)
        list(Recording(hurt).messages())


def test_what_is_no_recording_is_said(tmp_path: Path) -> None:
    (tmp_path / "a.mcap").write_text("not one")
    with pytest.raises(InputError, match="is not a recording"):
        Recording(tmp_path / "a.mcap")
    with pytest.raises(InputError, match="cannot be read"):
        Recording(tmp_path / "none.mcap")
    with pytest.raises(InputError, match="cannot be read"):
        Recording(tmp_path)


WRITER = """
import sys, time
from pathlib import Path
from supervisor.edge.recorder import Recorder
recorder = Recorder(Path(sys.argv[1]), {})
while True:
    now = time.monotonic_ns()
    recorder.write("mavlink", now, now.to_bytes(8, "little"))
    print(now, flush=True)
    time.sleep(0.01)
"""


def test_a_sudden_end_costs_less_than_a_second(tmp_path: Path) -> None:
    """kill -9 after a while; what was written more than a second before is there."""
    path = tmp_path / "a.mcap"
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    said = [process.stdout.readline() for _ in range(150)]  # some 1.5 s
    process.send_signal(signal.SIGKILL)
    rest, _ = process.communicate()
    last_ns = int([*said, *rest.splitlines()[:-1]][-1])  # a line cut off was not said
    recording = Recording(path)
    times = [t_ns for _, t_ns, _ in recording.messages()]
    assert not recording.complete
    assert len(times) > 20
    assert (last_ns - times[-1]) * 1e-9 < allowed(0.4, 0.6)  # its period, and the work


@pytest.mark.usefixtures("quick")
def test_every_chunk_is_forced_to_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    forced: list[int] = []

    def fsync(fd: int) -> None:
        forced.append(os.fstat(fd).st_size)

    monkeypatch.setattr(recorder_module.os, "fsync", fsync)
    path = tmp_path / "a.mcap"
    write_flight(path, chunks=5)
    assert len(forced) >= 7  # the opening, five chunks, the ending
    assert forced[-1] == path.stat().st_size


@pytest.mark.usefixtures("quick")
def test_a_full_disk_is_reported_and_nothing_is_lost_when_there_is_room_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, full = tmp_path / "a.mcap", False
    real = os.fsync

    def fsync(fd: int) -> None:
        if full:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(fd)

    monkeypatch.setattr(recorder_module.os, "fsync", fsync)
    with Recorder(path, METADATA) as recorder:
        recorder.write("mavlink", 1, b"before")
        until(lambda: recorder.written == 1)
        full = True
        for number in range(100):
            recorder.write("mavlink", 2 + number, b"during")
        until(lambda: "No space left" in recorder.fault)
        full = False
        until(lambda: recorder.written == 101)
        assert recorder.fault == ""
        recorder.write("mavlink", 200, b"after")
    recording = Recording(path)
    assert [data for _, _, data in recording.messages()] == [
        b"before",
        *[b"during"] * 100,
        b"after",
    ]
    assert (recording.complete, recording.damaged) == (True, 0)


@pytest.mark.usefixtures("quick")
def test_a_place_that_cannot_be_written_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recorder_module, "BACKLOG_BYTES", 10_000)
    (tmp_path / "file").write_text("")
    with Recorder(tmp_path / "file" / "a.mcap", {}) as recorder:
        for number in range(1000):
            recorder.write("mavlink", number, bytes(50))
        until(lambda: "File exists" in recorder.fault)
        assert recorder.dropped > 0  # memory is bounded
        assert recorder.written == 0
    assert recorder.fault  # closing does not pretend that all is well


def test_an_existing_file_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    path.write_text("precious")
    with Recorder(path, {}) as recorder:
        until(lambda: "exists" in recorder.fault)
    assert path.read_text() == "precious"


def test_a_slow_disk_does_not_hold_up_the_writer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that does not answer until all is written: a writer that waited would hang here."""
    asked, answers = threading.Event(), threading.Event()
    answered = []

    def fsync(_fd: int) -> None:
        asked.set()
        answered.append(answers.wait(PATIENCE_S))

    monkeypatch.setattr(recorder_module.os, "fsync", fsync)
    with Recorder(tmp_path / "a.mcap", {}) as recorder:
        recorder.write("mavlink", 0, bytes(50))
        assert asked.wait(PATIENCE_S)
        for number in range(1, 200):
            recorder.write("mavlink", number, bytes(50))
        answers.set()
    assert all(answered)
    assert len(list(Recording(tmp_path / "a.mcap").messages())) == 200


def test_a_disk_that_is_full_at_the_very_beginning_leaves_no_file_without_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refusals = [OSError(errno.ENOSPC, "No space left on device")] * 3
    sync = os.fsync

    def full_at_first(handle: int) -> None:
        if refusals:
            raise refusals.pop()
        sync(handle)

    monkeypatch.setattr(os, "fsync", full_at_first)
    monkeypatch.setattr("supervisor.edge.recorder.RETRY_S", 0.05)
    monkeypatch.setattr("supervisor.edge.recorder.PERIOD_S", 0.05)
    path = tmp_path / "flight.mcap"
    with Recorder(path, {"flight": "f"}) as recorder:
        recorder.write("mavlink", 1, b"\xfd first")
        until(lambda: not refusals)
        recorder.write("mavlink", 2, b"\xfd second")
    read = Recording(path)
    assert [data for _, _, data in read.messages()] == [b"\xfd first", b"\xfd second"]
    assert read.complete
