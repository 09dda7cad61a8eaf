"""Compression where it pays: raw deflate with a word list that both sides know.

A plain payload is JSON and begins with ``{``. A squeezed one begins with the byte 0x01 (the
number of the word list), then a raw deflate stream (RFC 1951). Every reader calls
:func:`expand`, which takes both. Statuses shrink to about a third, because most of a status is
its own field names; advisories go plain, so that any tool can read what matters most.
"""

from __future__ import annotations

import zlib
from functools import cache
from importlib.resources import files

MARK = b"\x01"
LARGEST = 1 << 20  # bytes; a squeezed message that grows beyond this is refused


class SqueezeError(ValueError):
    """A payload that is neither JSON nor a squeezed message."""


@cache
def _words() -> bytes:
    """The word list shipped with the package; changing it needs a new MARK."""
    return (files("supervisor") / "data" / "words-1.txt").read_bytes()


def squeeze(payload: bytes) -> bytes:
    """The shorter of the payload and its squeezed form."""
    coder = zlib.compressobj(9, zlib.DEFLATED, -15, 9, zlib.Z_DEFAULT_STRATEGY, _words())
    small = MARK + coder.compress(payload) + coder.flush()
    return small if len(small) < len(payload) else payload


def expand(payload: bytes) -> bytes:
    """The JSON bytes of a payload, squeezed or not."""
    if payload[:1] != MARK:
        return payload
    decoder = zlib.decompressobj(-15, _words())
    try:
        whole = decoder.decompress(payload[1:], LARGEST)
    except zlib.error as error:
        raise SqueezeError(f"squeezed payload cannot be read: {error}") from None
    if not decoder.eof or decoder.unused_data:
        raise SqueezeError("squeezed payload is cut off or too long")
    return whole
