"""Writes the flight down as it happens: raw frames in, messages out, in one MCAP file.

A thread of its own writes and fsyncs what has come in every ``PERIOD_S``, so that a power cut
loses less than a second and a slow card never holds up the loop. Nothing here raises at flight
time: a full or read-only disk is a ``fault`` that the service reports; writing is tried again, and
what could not be written yet waits in memory, up to ``BACKLOG_BYTES``.
"""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import IO, Self

import structlog
from mcap.data_stream import RecordBuilder
from mcap.records import (
    Channel,
    DataEnd,
    Footer,
    Header,
    Metadata,
    MetadataIndex,
    Schema,
    Statistics,
)

from supervisor import messages
from supervisor.edge.mcap_format import MAGIC, chunk_record, message_record

PERIOD_S = 0.4
RETRY_S = 5.0
CHUNK_BYTES = 256 * 1024
BACKLOG_BYTES = 16 * 1024 * 1024
MAVLINK = "mavlink"
METADATA = "homeleg"  # the name of the metadata record
JSON_TOPICS: dict[str, type[messages.Message]] = {
    "status": messages.Status,
    "advisory": messages.Advisory,
    "ack": messages.Ack,
    "plan": messages.Plan,
}
CHANNELS = {topic: number for number, topic in enumerate((MAVLINK, *JSON_TOPICS), start=1)}

log = structlog.get_logger(__name__)


class Recorder:
    """One recording. ``metadata`` (flight, version, seed, flight file text ...) opens it."""

    def __init__(self, path: Path, metadata: Mapping[str, str]) -> None:
        self.path = path
        self.fault = ""  # what keeps it from writing now, in words; empty: all is well
        self.dropped = 0  # messages lost because the backlog was full
        self.written = 0  # messages safely on the disk
        self._metadata = dict(metadata)
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._records: list[bytes] = []
        self._pending_bytes = 0
        self._times = (0, 0)
        self._counts = dict.fromkeys(CHANNELS.values(), 0)
        self._span: tuple[int, int] | None = None
        self._chunks = 0
        self._file: IO[bytes] | None = None
        self._good_bytes = 0  # the file is right up to here
        self._metadata_index: MetadataIndex
        self._closing = False
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def write(self, topic: str, t_ns: int, data: bytes) -> None:
        """Keep one message; returns at once and never raises for the disk's sake."""
        channel = CHANNELS[topic]
        with self._lock:
            if self._pending_bytes > BACKLOG_BYTES:
                self.dropped += 1
                return
            record = message_record(channel, self._counts[channel] & 0xFFFFFFFF, t_ns, data)
            self._counts[channel] += 1
            first, last = self._times if self._records else (t_ns, t_ns)
            self._times = (min(first, t_ns), max(last, t_ns))
            self._records.append(record)
            self._pending_bytes += len(record)
            if self._pending_bytes > CHUNK_BYTES and not self.fault:
                self._wake.set()

    def close(self) -> None:
        """Write what is left and the end of the file."""
        self._closing = True
        self._wake.set()
        self._thread.join()

    # -- the writing thread ----------------------------------------------------------------------

    def _run(self) -> None:
        while not self._closing:
            self._wake.wait(RETRY_S if self.fault else PERIOD_S)
            self._wake.clear()
            self._save()
        self._save()
        if self._file is not None:
            self._try(self._finish)

    def _save(self) -> None:
        if self._file is None and not self._try(self._open):
            return
        with self._lock:
            records, times = self._records, self._times
            self._records = []
        if not records:
            return
        if self._try(lambda: self._append(chunk_record(b"".join(records), *times))):
            self._book(records, times)
        else:
            self._put_back(records, times)

    def _book(self, records: list[bytes], times: tuple[int, int]) -> None:
        span = self._span or times
        self._span = (min(span[0], times[0]), max(span[1], times[1]))
        self._chunks += 1
        self.written += len(records)
        with self._lock:
            self._pending_bytes -= sum(map(len, records))

    def _put_back(self, records: list[bytes], times: tuple[int, int]) -> None:
        with self._lock:
            if self._records:
                times = (min(times[0], self._times[0]), max(times[1], self._times[1]))
            self._records = records + self._records
            self._times = times

    def _try(self, step: Callable[[], None]) -> bool:
        try:
            step()
        except OSError as error:
            if not self.fault:
                log.error("recording_failed", path=str(self.path), reason=error.strerror)
            self.fault = f"{self.path}: {error.strerror}"
            return False
        if self.fault:
            log.info("recording_resumed", path=str(self.path))
        self.fault = ""
        return True

    def _open(self) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        self._file = self.path.open("xb", buffering=0)
        start, self._metadata_index = opening(self._metadata)
        try:
            self._append(start)
        except OSError:  # no file at all rather than one without a beginning; it is tried again
            self._file.close()
            self._file = None
            self.path.unlink(missing_ok=True)
            raise

    def _append(self, data: bytes) -> None:
        """All of it, on the disk, or (as far as the reader is concerned) none of it."""
        assert self._file is not None
        self._file.seek(self._good_bytes)
        left = memoryview(data)
        while left:
            left = left[self._file.write(left) :]
        os.fsync(self._file.fileno())
        self._good_bytes += len(data)

    def _finish(self) -> None:
        assert self._file is not None
        start_ns, end_ns = self._span or (0, 0)
        statistics = Statistics(
            attachment_count=0,
            channel_count=len(CHANNELS),
            channel_message_counts={k: n for k, n in self._counts.items() if n},
            chunk_count=self._chunks,
            message_count=self.written,
            message_start_time=start_ns,
            message_end_time=end_ns,
            metadata_count=1,
            schema_count=len(JSON_TOPICS),
        )
        self._append(ending(self._good_bytes, statistics, self._metadata_index))
        self._file.truncate(self._good_bytes)
        self._file.close()


def opening(metadata: Mapping[str, str]) -> tuple[bytes, MetadataIndex]:
    """Header, metadata, schemas and channels, and where in the file the metadata stand."""
    builder = RecordBuilder()
    Header(profile="", library="homeleg").write(builder)
    start = builder.count
    Metadata(name=METADATA, metadata=dict(metadata)).write(builder)
    place = MetadataIndex(offset=len(MAGIC) + start, length=builder.count - start, name=METADATA)
    _channels(builder)
    return MAGIC + bytes(builder.end()), place  # type: ignore[no-untyped-call]


def _channels(builder: RecordBuilder) -> None:
    for topic, number in CHANNELS.items():
        model = JSON_TOPICS.get(topic)
        if model is not None:
            schema = json.dumps(model.model_json_schema()).encode()
            Schema(id=number, name=topic, encoding="jsonschema", data=schema).write(builder)
        Channel(
            id=number,
            topic=topic,
            message_encoding="json" if model else "mavlink2",
            metadata={},
            schema_id=number if model else 0,
        ).write(builder)


def ending(position: int, statistics: Statistics, metadata: MetadataIndex) -> bytes:
    """End of data, summary and footer. No index of chunks: it would grow with the flight."""
    builder = RecordBuilder()
    DataEnd(data_section_crc=0).write(builder)
    summary_start = position + builder.count
    _channels(builder)
    statistics.write(builder)
    metadata.write(builder)
    Footer(summary_start=summary_start, summary_offset_start=0, summary_crc=0).write(builder)
    return bytes(builder.end()) + MAGIC  # type: ignore[no-untyped-call]
