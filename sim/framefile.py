"""A flight's frames in an MCAP file: the same seed gives the same file, byte for byte.

Topic ``mavlink``, message encoding ``mavlink2``, one raw frame a message; log time is simulated
time in nanoseconds from the start of the flight.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Self

from mcap.writer import CompressionType, IndexType, Writer

NS_PER_S = 1_000_000_000
CHUNK_BYTES = 256 * 1024


class FrameFile:
    """An MCAP file being written; a context manager."""

    def __init__(self, path: Path, metadata: Mapping[str, str]) -> None:
        self._file = path.open("wb")
        self._writer = Writer(
            self._file,
            chunk_size=CHUNK_BYTES,
            compression=CompressionType.ZSTD,
            index_types=IndexType.NONE,
        )
        self._writer.start(profile="", library="homeleg-sim")
        self._writer.add_metadata("homeleg", dict(metadata))
        self._channel = self._writer.register_channel(
            topic="mavlink", message_encoding="mavlink2", schema_id=0
        )
        self._count = 0

    def write(self, t_s: float, frame: bytes) -> None:
        """Add one frame."""
        t_ns = round(t_s * NS_PER_S)
        self._writer.add_message(
            channel_id=self._channel,
            log_time=t_ns,
            publish_time=t_ns,
            sequence=self._count & 0xFFFFFFFF,
            data=frame,
        )
        self._count += 1

    def close(self) -> None:
        """Write the end of the file."""
        self._writer.finish()  # type: ignore[no-untyped-call]
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
