"""Reads a recording, whole or cut off or partly damaged, fast.

What is damaged is skipped and counted: a chunk is believed when its CRC is right, and after a
record that makes no sense the next chunk is searched for by its mark. Chunks compressed in another
way than our recorder's are not read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator
from io import BytesIO
from pathlib import Path

from mcap.data_stream import ReadDataStream
from mcap.opcode import Opcode
from mcap.records import Channel, Metadata

from supervisor.edge.mcap_format import CHUNK, MAGIC, MESSAGE, RECORD, ZSTD, is_chunk, open_chunk
from supervisor.errors import InputError

_CHUNK, _MESSAGE = int(Opcode.CHUNK), int(Opcode.MESSAGE)
_CHANNEL, _METADATA = int(Opcode.CHANNEL), int(Opcode.METADATA)
_DATA_END, _KNOWN = int(Opcode.DATA_END), {int(opcode) for opcode in Opcode}
_DATA_END_SIZE = 4
_BODY = MESSAGE.size - RECORD.size

Entry = tuple[str, int, bytes]


class Recording:
    """One file, read into memory. ``metadata`` is there at once; ``complete`` after reading."""

    def __init__(self, path: Path) -> None:
        try:
            self._data = path.read_bytes()
        except OSError as error:
            raise InputError(str(path), f"cannot be read: {error.strerror}") from None
        if not self._data.startswith(MAGIC):
            raise InputError(str(path), "is not a recording", allowed="an MCAP file")
        self.metadata: dict[str, str] = {}
        self.damaged = 0  # places that made no sense and were skipped
        self.complete = False  # the end of the file was found
        self._topics: dict[int, str] = {}
        self._chunks = self._scan()

    def messages(self, topics: Collection[str] | None = None) -> Iterator[Entry]:
        """(topic, time in ns, bytes) in the order in which they were written."""
        for start, end in self._chunks:
            records = open_chunk(self._data, start, end)
            if records is None:
                self.damaged += 1
            else:
                yield from self._entries(records, topics)

    def census(self) -> tuple[dict[str, int], tuple[int, int]]:
        """Messages by topic, and the first and last time [ns] (0, 0 of none).

        Every chunk is opened and its CRC checked, so ``damaged`` is right afterwards. The file's
        own statistics are not asked: they do not know what was damaged since.
        """
        counts: Counter[int] = Counter()
        spans: list[tuple[int, int]] = []
        for start, end in self._chunks:
            records = open_chunk(self._data, start, end)
            if records is None:
                self.damaged += 1
            elif seen := self._counted(records, counts):
                spans.append((min(seen), max(seen)))
        topics: Counter[str] = Counter()
        for channel, topic in self._topics.items():
            topics[topic] += counts[channel]
        span = (min(s[0] for s in spans), max(s[1] for s in spans)) if spans else (0, 0)
        return dict(+topics), span

    def _counted(self, records: bytes, counts: Counter[int]) -> list[int]:
        """Count a chunk's messages by channel; returns their times."""
        unpack, at, end = MESSAGE.unpack_from, 0, len(records)
        channels, times = [], []
        while at < end:
            if records[at] != _MESSAGE:
                at = self._inner(records, at)
                continue
            _, size, channel, _, t_ns, _ = unpack(records, at)
            channels.append(channel)
            times.append(t_ns)
            at += RECORD.size + size
        counts.update(channels)
        return times

    def _scan(self) -> list[tuple[int, int]]:
        """Where the chunks are; channels and metadata on the way."""
        data, chunks = self._data, []
        at = len(MAGIC)
        while at + RECORD.size <= len(data):
            opcode, size = RECORD.unpack_from(data, at)
            start, end = at + RECORD.size, at + RECORD.size + size
            if opcode == _CHUNK and is_chunk(data, start, end):
                chunks.append((start, end))
            elif opcode == _DATA_END and size == _DATA_END_SIZE:
                self.complete = data.endswith(MAGIC)
                break
            elif opcode == _CHUNK or not self._is_small_record(opcode, start, end):
                at = self._next_chunk(at)
                continue
            else:
                self._note(opcode, data[start:end])
            at = end
        return chunks

    def _is_small_record(self, opcode: int, start: int, end: int) -> bool:
        """One of the others; none is beyond the end or reaches over a chunk."""
        whole = opcode in _KNOWN and end <= len(self._data)
        return whole and self._data.find(ZSTD, start, end) < 0

    def _next_chunk(self, at: int) -> int:
        """Search for the next chunk by its mark; if there is none, the file was cut off here."""
        mark = self._data.find(ZSTD, at + RECORD.size + CHUNK.size + 1)
        if mark < 0:
            return len(self._data)
        self.damaged += 1
        return mark - CHUNK.size - RECORD.size

    def _note(self, opcode: int, body: bytes) -> None:
        try:
            if opcode == _CHANNEL:
                channel = Channel.read(ReadDataStream(BytesIO(body)))
                self._topics[channel.id] = channel.topic
            elif opcode == _METADATA:
                metadata = Metadata.read(ReadDataStream(BytesIO(body)))
                if metadata.name == "homeleg":
                    self.metadata = metadata.metadata
        except Exception:  # the library raises whatever its parts raise on damaged bytes
            self.damaged += 1

    def _entries(self, records: bytes, topics: Collection[str] | None) -> Iterator[Entry]:
        names = self._wanted(topics)
        unpack, at, end = MESSAGE.unpack_from, 0, len(records)
        while at < end:
            if records[at] != _MESSAGE:  # other writers put channels and schemas into the chunk
                at = self._inner(records, at)
                names = self._wanted(topics)
                continue
            _, size, channel, _, t_ns, _ = unpack(records, at)
            start = at + MESSAGE.size
            at = start + size - _BODY
            topic = names.get(channel)
            if topic is not None:
                yield topic, t_ns, records[start:at]

    def _wanted(self, topics: Collection[str] | None) -> dict[int, str]:
        return {
            channel: topic
            for channel, topic in self._topics.items()
            if topics is None or topic in topics
        }

    def _inner(self, records: bytes, at: int) -> int:
        """Note a record of a chunk that is no message; returns where the next one starts."""
        if at + RECORD.size > len(records):
            return len(records)
        opcode, size = RECORD.unpack_from(records, at)
        end = at + RECORD.size + size
        self._note(opcode, records[at + RECORD.size : end])
        return int(end)
