"""A status as differences from the last whole one: exact, and a third of the bytes.

Two statuses ten seconds apart are the same text with other numbers in it, and the numbers have
moved little. So only their differences go out, as whole numbers of the last decimal place::

    0x02 | CRC-32 of the whole text, 4 bytes | signature, 64 bytes | raw deflate of the entries

The signature is there when the last whole message was signed; it is the ``value`` of the new one.
There is an entry for each number (``-?digits[.digits]``) of the text before that value, in order.
An entry is its difference to the number at the same place of the last whole message, zigzag coded
(0, -1, 1, -2, ... become 0, 1, 2, 3, ...): one byte below 240, or 239 + n and then n bytes, the
highest first. 255 and a count before an entry: the number has so many decimals now; the earlier
one is brought to as many first, rounded down. 254 before an entry (after the former): zeros fill
it up to as many digits before the point as the earlier one has (minutes of a date). A difference
of 0 without either repeats the number as it was.

What cannot be told so (another sentence, one condition more) goes as a whole message. Whole ones
are retained; differences are not, and who has missed the whole one waits for the next.
"""

from __future__ import annotations

import base64
import binascii
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field

from supervisor.edge.squeeze import LARGEST, SqueezeError, expand

MARK = b"\x02"
SMALL = 240  # a zigzag number below this is its own entry
OTHER_DECIMALS, FILLED = 255, 254
LONGEST, MOST_DECIMALS = 8, 15  # bytes of a difference, digits behind the point
SIGNATURE_BYTES = 64  # Ed25519, RFC 8032
KNOWN_TOPICS = 256  # whole messages remembered by a reader

_DIGITS = re.compile(rb"-?\d+(?:\.\d+)?")
_VALUE = re.compile(rb'(?<="value":")[A-Za-z0-9_-]{86}(?="\}\}\Z)')


@dataclass(frozen=True, slots=True)
class _Text:
    """A message taken apart: what lies between its numbers, the numbers, the signature."""

    between: list[bytes]
    numbers: list[bytes]
    signature: bytes

    @classmethod
    def of(cls, text: bytes) -> _Text:
        """Take it apart; the signature's own characters are no numbers."""
        found = _VALUE.search(text)
        head = text[: found.start()] if found else text
        signature = base64.urlsafe_b64decode(found[0] + b"==") if found else b""
        return cls(_DIGITS.split(head), _DIGITS.findall(head), signature)


def encode(whole: bytes, text: bytes) -> bytes | None:
    """``text`` as differences from ``whole``; None when it cannot be told so exactly."""
    old, new = _Text.of(whole), _Text.of(text)
    if old.between != new.between or bool(old.signature) != bool(new.signature):
        return None
    try:
        entries = b"".join(map(_entry, old.numbers, new.numbers))
    except (OverflowError, ValueError):
        return None
    coder = zlib.compressobj(9, zlib.DEFLATED, -15)
    told = MARK + _crc(text) + new.signature + coder.compress(entries) + coder.flush()
    try:
        return told if decode(whole, told) == text else None
    except SqueezeError:
        return None  # e.g. a number spelt as we would not spell it


def decode(whole: bytes, told: bytes) -> bytes:
    """The text that ``told`` stands for; SqueezeError when it does not belong to ``whole``."""
    old = _Text.of(whole)
    start = 5 + (SIGNATURE_BYTES if old.signature else 0)
    entries = iter(_inflated(told[start:]))
    numbers = [_number(before, entries) for before in old.numbers]
    parts = [old.between[0]]
    for number, after in zip(numbers, old.between[1:], strict=True):
        parts += (number, after)
    text = b"".join(parts)
    if old.signature:
        text += base64.urlsafe_b64encode(told[5:start]).rstrip(b"=") + b'"}}'
    if next(entries, None) is not None or _crc(text) != told[1:5]:
        raise SqueezeError("the differences belong to another whole message")
    return text


def _crc(text: bytes) -> bytes:
    return binascii.crc32(text).to_bytes(4, "big")


@dataclass(frozen=True, slots=True)
class _Number:
    """A number as it is spelt: -12.30 is mantissa -1230, 2 decimals, width 2."""

    mantissa: int
    decimals: int
    width: int  # digits before the point

    @classmethod
    def of(cls, text: bytes) -> _Number:
        """Read it."""
        whole, _, behind = text.partition(b".")
        return cls(int(whole + behind), len(behind), len(whole.lstrip(b"-")))

    def brought(self, decimals: int) -> int:
        """The mantissa with so many decimals, rounded down."""
        if decimals >= self.decimals:
            return self.mantissa * int(10 ** (decimals - self.decimals))
        return self.mantissa // int(10 ** (self.decimals - decimals))


def _spelt(mantissa: int, decimals: int, width: int) -> bytes:
    digits = b"%0*d" % (decimals + max(width, 1), abs(mantissa))
    sign = b"-" if mantissa < 0 else b""
    return sign + digits[:-decimals] + b"." + digits[-decimals:] if decimals else sign + digits


def _entry(old: bytes, new: bytes) -> bytes:
    if old == new:
        return b"\0"
    before, after = _Number.of(old), _Number.of(new)
    entry = b"" if before.decimals == after.decimals else bytes((OTHER_DECIMALS, after.decimals))
    if after.width > 1 and new.lstrip(b"-").startswith(b"0"):
        entry += bytes((FILLED,))
    moved = after.mantissa - before.brought(after.decimals)
    zigzag = 2 * moved if moved >= 0 else -2 * moved - 1
    if zigzag < SMALL:
        return entry + bytes((zigzag,))
    count = (zigzag.bit_length() + 7) // 8
    if count > LONGEST:
        raise ValueError("a leap so wide goes whole")
    return entry + bytes((SMALL - 1 + count,)) + zigzag.to_bytes(count, "big")


def _number(old: bytes, entries: Iterator[int]) -> bytes:
    try:
        first = next(entries)
        if first == 0:
            return old
        before = _Number.of(old)
        decimals, width = before.decimals, 1
        if first == OTHER_DECIMALS:
            decimals, first = next(entries), next(entries)
        if first == FILLED:
            width, first = before.width, next(entries)
        if first >= SMALL:
            first = _long(first - SMALL + 1, entries)
    except (StopIteration, ValueError):
        raise SqueezeError("the differences are cut off") from None
    if decimals > MOST_DECIMALS:
        raise SqueezeError("the differences hold an absurd number")
    moved = first // 2 if first % 2 == 0 else -(first + 1) // 2
    return _spelt(before.brought(decimals) + moved, decimals, width)


def _long(count: int, entries: Iterator[int]) -> int:
    if count > LONGEST:
        raise SqueezeError("the differences hold an absurd number")
    return int.from_bytes([next(entries) for _ in range(count)], "big")


def _inflated(squeezed: bytes) -> bytes:
    decoder = zlib.decompressobj(-15)
    try:
        entries = decoder.decompress(squeezed, LARGEST)
    except zlib.error as error:
        raise SqueezeError(f"differences cannot be read: {error}") from None
    if not decoder.eof or decoder.unused_data:
        raise SqueezeError("the differences are cut off or too long")
    return entries


@dataclass(slots=True)
class Unpacker:
    """Makes whole messages of received ones; remembers the last whole one of each topic."""

    _whole: dict[str, bytes] = field(default_factory=dict)

    def open(self, topic: str, payload: bytes) -> bytes:
        """The JSON of a payload: plain, squeezed or differences. SqueezeError says why not."""
        if payload[:1] == MARK:
            if topic not in self._whole:
                raise SqueezeError("differences from a whole message that was not heard")
            return decode(self._whole[topic], payload)
        whole = expand(payload)
        if not topic.endswith("/status"):
            return whole
        self._whole.pop(topic, None)  # the latest stand last
        self._whole[topic] = whole
        if len(self._whole) > KNOWN_TOPICS:
            del self._whole[next(iter(self._whole))]
        return whole
