"""Recordings, opened, read and written, against the container's own library."""

from __future__ import annotations

import tempfile
from contextlib import suppress
from functools import partial
from pathlib import Path

from mcap.reader import NonSeekingReader
from mcap.writer import Writer

from supervisor.edge.mcap_format import chunk_record, message_record
from supervisor.edge.recorder import opening
from supervisor.edge.recording import Recording
from supervisor.recordings import summarise
from tests.bench.row import Aim, Form, Growth, Row, cpu_s
from tests.bench.traffic import stream

RECORDED_HZ = 100
CHUNK_S = 0.4  # what the recorder waits before it writes
CHUNK_FRAMES = round(CHUNK_S * RECORDED_HZ)
HOURS = (0.625, 1.25, 2.5)
ASKED_HOURS, ASKED_MB, ASKED_S = 3.0, 60.0, 1.0  # this long, in so much, opened within


def rows(form: Form) -> list[Row]:
    """Opening, listing, reading, writing; sizes are hours of flight at 100 frames a second."""
    share = form.pick(0.02, 1.0)
    frames = stream(form.pick(1_000, 15_000), with_unused=False)
    with tempfile.TemporaryDirectory() as place:
        paths = [Path(place) / f"{hours}.mcap" for hours in HOURS]
        for path, hours in zip(paths, HOURS, strict=True):
            write_long(path, frames, share * hours * 3600.0)
        other = Path(place) / "other.mcap"
        asked = Path(place) / "asked.mcap"
        write_long(asked, frames, share * ASKED_HOURS * 3600.0)
        listed = _listing([*paths, asked], share)
        return [_reading(paths, share), _opening(paths), listed, _writing(other, frames)]


def write_long(path: Path, frames: list[bytes], seconds: float) -> None:
    """A recording in chunks as the recorder makes them in flight."""
    with path.open("wb") as file:
        file.write(opening({"flight": "bench"})[0])
        for first in range(0, round(seconds * RECORDED_HZ), CHUNK_FRAMES):
            numbers = range(first, first + CHUNK_FRAMES)
            times = [number * 10**9 // RECORDED_HZ for number in numbers]
            records = b"".join(
                message_record(1, number, t_ns, frames[number % len(frames)])
                for number, t_ns in zip(numbers, times, strict=True)
            )
            file.write(chunk_record(records, times[0], times[-1]))


def read_reference(path: Path) -> int:
    """Messages that the container's own library finds."""
    count = 0
    with path.open("rb") as file, suppress(Exception):  # it raises where the file ends
        for _ in NonSeekingReader(file).iter_messages(log_time_order=False):
            count += 1
    return count


def read_ours(path: Path) -> int:
    """Messages that we find."""
    return sum(1 for _ in Recording(path).messages())


def _reading(paths: list[Path], share: float) -> Row:
    last = paths[-1]
    count = read_ours(last)
    assert count == read_reference(last), "not the same messages"
    costs = [cpu_s(partial(read_ours, path), rounds=3)[0] for path in paths[:-1]]
    works = partial(read_ours, last), partial(read_reference, last)
    ours, reference = cpu_s(*works, rounds=3)
    megabytes = last.stat().st_size / 1e6
    return Row(
        "reading a recording of 2.5 h",
        ours,
        "CPU s",
        reference,
        "mcap's reader without seeking, same file",
        Aim("ours", 2.0),
        Growth("hours", HOURS, (*costs, ours)),
        f"{share:.0%} of {count / share:,.0f} messages; {megabytes / share:.0f} MB",
    )


def _opening(paths: list[Path]) -> Row:
    def first(path: Path) -> None:
        recording = Recording(path)
        assert recording.metadata["flight"] == "bench"
        next(iter(recording.messages()))

    def theirs() -> None:
        with paths[-1].open("rb") as file:
            next(iter(NonSeekingReader(file).iter_messages(log_time_order=False)))

    costs = [1e3 * c for c in cpu_s(*(partial(first, path) for path in paths), rounds=9)]
    ours, reference = cpu_s(partial(first, paths[-1]), theirs, rounds=9)
    return Row(
        "opening a recording of 2.5 h, to its first message",
        1e3 * ours,
        "CPU ms",
        1e3 * reference,
        "mcap's reader without seeking, to its first message",
        growth=Growth("hours", HOURS, tuple(costs)),
    )


def _listing(paths: list[Path], share: float) -> Row:
    last, hours = paths[-1], (*HOURS, ASKED_HOURS)
    costs = [cpu_s(partial(summarise, path), rounds=3)[0] for path in paths[:-1]]
    ours, reference = cpu_s(partial(summarise, last), partial(read_reference, last), rounds=3)
    megabytes = last.stat().st_size / 1e6 / share
    assert megabytes < ASKED_MB, f"{megabytes:.0f} MB"
    return Row(
        "listing a recording of 3 h, every chunk checked",
        ours,
        "CPU s",
        reference,
        "mcap's reader without seeking, same file",
        Aim("ours", ASKED_S),
        Growth("hours", hours, (*costs, ours)),
        f"{share:.0%} of {megabytes:.0f} MB; at most {ASKED_MB:.0f} were asked",
    )


def _write_reference(path: Path, frames: list[bytes]) -> None:
    with path.open("wb") as file:
        writer = Writer(file)
        writer.start()
        channel = writer.register_channel("mavlink", "mavlink2", 0)
        for number, frame in enumerate(frames):
            writer.add_message(channel, number, frame, number)
        writer.finish()


def _write_ours(path: Path, frames: list[bytes]) -> None:
    with path.open("wb") as file:
        for first in range(0, len(frames), CHUNK_FRAMES):
            part = frames[first : first + CHUNK_FRAMES]
            records = b"".join(message_record(1, 0, first, frame) for frame in part)
            file.write(chunk_record(records, first, first + CHUNK_FRAMES - 1))


def _writing(path: Path, frames: list[bytes]) -> Row:
    sizes = (len(frames) // 4, len(frames) // 2, len(frames))
    costs = [cpu_s(partial(_write_ours, path, frames[:size]))[0] for size in sizes[:-1]]
    works = partial(_write_ours, path, frames), partial(_write_reference, path, frames)
    ours, reference = cpu_s(*works)
    each_us = 1e6 / len(frames)
    return Row(
        f"writing one frame, in chunks of {CHUNK_S} s",
        ours * each_us,
        "CPU us",
        reference * each_us,
        "mcap's writer with its chunks of 1 MiB",
        Aim("ratio", 1.0),
        Growth("frames", sizes, (*costs, ours)),
    )
