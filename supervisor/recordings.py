"""Work on recordings as files: describe, trim, merge, strip positions. The flight is not touched.

What is written is again a recording: the same records, in chunks, with an end. Trimmed and merged
recordings replay; a stripped one replays too, on a map that has been moved elsewhere.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from mcap.records import Statistics

from supervisor.edge.mcap_format import chunk_record, message_record
from supervisor.edge.recorder import CHANNELS, ending, opening
from supervisor.edge.recording import Entry, Recording
from supervisor.errors import InputError

NS_PER_S = 1_000_000_000
CHUNK_BYTES = 32 * 1024  # a damaged place costs a chunk: seconds of flight, not minutes


@dataclass(frozen=True, slots=True)
class Summary:
    """What a recording holds; times in ns of its own clock, 0 when it is empty."""

    path: Path
    size_bytes: int
    first_ns: int
    last_ns: int
    counts: dict[str, int]
    metadata: dict[str, str]
    damaged: int
    complete: bool

    @property
    def seconds(self) -> float:
        """From the first message to the last [s]."""
        return (self.last_ns - self.first_ns) / NS_PER_S


def summarise(path: Path) -> Summary:
    """Every chunk opened and every message counted; their contents are not looked at."""
    recording = Recording(path)
    counts, (first, last) = recording.census()
    return Summary(
        path, path.stat().st_size, first, last, counts, recording.metadata, recording.damaged,
        recording.complete,
    )  # fmt: skip


def damage_words(damaged: int, complete: bool) -> str:
    """What is wrong with a recording, in words; nothing of a whole one."""
    words = [] if complete else ["cut off before its end"]
    words += [f"damaged in {damaged} place{'' if damaged == 1 else 's'}"] if damaged else []
    return " and ".join(words)


def trimmed(recording: Recording, from_s: float, to_s: float) -> Iterator[Entry]:
    """Messages between two times, in seconds since the first one."""
    first: int | None = None
    for entry in recording.messages():
        first = entry[1] if first is None else first
        if from_s <= (entry[1] - first) / NS_PER_S <= to_s:
            yield entry


def merged(recordings: Iterable[Recording]) -> Iterator[Entry]:
    """All of them in order of time; messages that two recordings share come once.

    Two receivers of one aircraft share no clock: only equal times and bytes are the same message.
    """
    everything = itertools.chain.from_iterable(r.messages() for r in recordings)
    before: tuple[int, set[tuple[str, bytes]]] = (-1, set())
    for topic, t_ns, data in sorted(everything, key=lambda e: e[1]):
        if t_ns != before[0]:
            before = (t_ns, set())
        if (topic, data) not in before[1]:
            before[1].add((topic, data))
            yield topic, t_ns, data


def write_recording(path: Path, metadata: Mapping[str, str], entries: Iterable[Entry]) -> int:
    """Write a new recording; refuses to overwrite. Returns how many messages it holds."""
    try:
        with path.open("xb") as file:
            start, place = opening(metadata)
            size = file.write(start)
            counts, span, chunks = _chunks(file.write, entries)
            statistics = Statistics(
                attachment_count=0, channel_count=len(CHANNELS), channel_message_counts=counts,
                chunk_count=len(chunks), message_count=sum(counts.values()),
                message_start_time=span[0], message_end_time=span[1], metadata_count=1,
                schema_count=len(CHANNELS) - 1,
            )  # fmt: skip
            file.write(ending(size + sum(chunks), statistics, place))
    except FileExistsError:
        raise InputError(str(path), "exists already", allowed="a new file") from None
    except OSError as error:
        raise InputError(str(path), f"cannot be written: {error.strerror}") from None
    return sum(counts.values())


def _chunks(
    write: Callable[[bytes], int], entries: Iterable[Entry]
) -> tuple[dict[int, int], tuple[int, int], list[int]]:
    """Write all chunks; (messages by channel, first and last time, sizes)."""
    counts: Counter[int] = Counter()
    records: list[bytes] = []
    times: list[int] = []
    sizes: list[int] = []
    span: tuple[int, int] | None = None

    def flush() -> None:
        nonlocal span
        if records:
            low, high = min(times), max(times)
            span = (min(span[0], low), max(span[1], high)) if span else (low, high)
            sizes.append(write(chunk_record(b"".join(records), low, high)))
            records.clear()
            times.clear()

    pending = 0
    for topic, t_ns, data in entries:
        channel = CHANNELS.get(topic)
        if channel is None:
            continue
        record = message_record(channel, counts[channel] & 0xFFFFFFFF, t_ns, data)
        counts[channel] += 1
        records.append(record)
        times.append(t_ns)
        pending += len(record)
        if pending >= CHUNK_BYTES:
            flush()
            pending = 0
    flush()
    return dict(counts), span or (0, 0), sizes
