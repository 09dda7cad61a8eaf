"""The few MCAP records we write and read ourselves (open container format, version 0).

The library's writer closes a chunk by size only, and keeps an index entry in memory for every
chunk; a daemon needs chunks closed by time and flat memory. Its readers give nothing of a file
that was cut off. Everything rare (schema, channel, metadata, footer) stays the library's.
"""

from __future__ import annotations

import struct
import threading
import zlib

import zstandard
from mcap.opcode import Opcode

MAGIC = b"\x89MCAP0\r\n"
RECORD = struct.Struct("<BQ")  # opcode, length of what follows
MESSAGE = struct.Struct("<BQHIQQ")  # the same, then channel, sequence, log time, publish time
CHUNK = struct.Struct("<QQQI")  # first and last log time, size and CRC of what is compressed
ZSTD = b"\x04\0\0\0zstd"
_MESSAGE_REST = MESSAGE.size - RECORD.size
_MESSAGE, _CHUNK = int(Opcode.MESSAGE), int(Opcode.CHUNK)
_own = threading.local()  # a (de)compressor a thread: one a chunk is mostly its making
CHUNK_LIMIT = 64 * 1024 * 1024  # no chunk of ours is nearly as big; a length above is damage


def message_record(channel: int, sequence: int, t_ns: int, data: bytes) -> bytes:
    """One message, as it stands in a chunk."""
    head = MESSAGE.pack(_MESSAGE, _MESSAGE_REST + len(data), channel, sequence, t_ns, t_ns)
    return head + data


def chunk_record(records: bytes, first_ns: int, last_ns: int) -> bytes:
    """A compressed chunk with the CRC of its contents."""
    packed = _compressor().compress(records)
    head = CHUNK.pack(first_ns, last_ns, len(records), zlib.crc32(records))
    body = head + ZSTD + len(packed).to_bytes(8, "little")
    return RECORD.pack(_CHUNK, len(body) + len(packed)) + body + packed


def _compressor() -> zstandard.ZstdCompressor:
    if not hasattr(_own, "compressor"):
        _own.compressor = zstandard.ZstdCompressor()
    compressor: zstandard.ZstdCompressor = _own.compressor
    return compressor


def _decompressor() -> zstandard.ZstdDecompressor:
    if not hasattr(_own, "decompressor"):
        _own.decompressor = zstandard.ZstdDecompressor()
    decompressor: zstandard.ZstdDecompressor = _own.decompressor
    return decompressor


def is_chunk(data: bytes, start: int, end: int) -> bool:
    """Whether ``data[start:end]`` is a chunk's body by its mark and by both of its lengths."""
    packed = start + CHUNK.size + len(ZSTD)
    if data[packed - len(ZSTD) : packed] != ZSTD:
        return False
    return (
        end <= len(data) and int.from_bytes(data[packed : packed + 8], "little") == end - packed - 8
    )


def open_chunk(data: bytes, at: int, end: int) -> bytes | None:
    """The records of the chunk whose body is ``data[at:end]``; None: damaged."""
    try:
        _, _, size, crc = CHUNK.unpack_from(data, at)
        at += CHUNK.size
        if size > CHUNK_LIMIT:
            return None
        packed = data[at + len(ZSTD) + 8 : end]
        records = _decompressor().decompress(packed, max_output_size=size)
    except (struct.error, zstandard.ZstdError):
        return None
    return records if len(records) == size and zlib.crc32(records) == crc else None
