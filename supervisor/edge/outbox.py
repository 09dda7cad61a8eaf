"""Advisories on disk until the broker has them: SQLite in WAL mode, one row each.

An advisory counts as raised only when :meth:`Outbox.put` has returned: its row is then committed
and synced. A row is deleted when the broker has acknowledged it, and not before, so a restart
sends again what was under way (at least once; the reader drops doubles by ``order``).

**Policy.** Only advisories are stored. Statuses coalesce to the latest in memory, so they are
always lost before an advisory is. ``max_bytes`` bounds the rows; beyond it the *oldest* advisory
goes, is counted in ``dropped`` and said. When the disk is full, read-only or broken the outbox
goes on in memory, says so, and writes back what it holds as soon as the disk takes it again. A
file that is damaged (power cut, worn card) is set aside under another name after every readable
row was taken over.

``order`` numbers every advisory of this aircraft, across restarts and flights, without a gap;
``boot`` counts the openings of this outbox. Both are what a signature covers.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

SCHEMA_VERSION = 1
# From a schema to the next, in SQL. A later schema keeps the columns of `advisory`, so that a
# version that was rolled back to can still take every row over (:class:`_LaterSchema`).
MIGRATIONS: dict[int, str] = {}
MAX_BYTES = 16_000_000  # some 15,000 advisories; a flight raises tens
_COUNTERS = ("boot", "order")
MAY_PASS = ("BUSY", "LOCKED", "FULL", "READONLY", "IOERR", "CANTOPEN", "PERM", "AUTH", "NOMEM")
MOST = 1 << 53  # no counter of ours comes near it


@dataclass(frozen=True, slots=True)
class Held:
    """One advisory that the broker has not acknowledged."""

    order: int
    seq: int
    payload: bytes


class _LaterSchema(sqlite3.DatabaseError):
    """The file is a newer version's; nothing is wrong with it, but it is not ours to write."""


def _silent(_: str) -> None:
    return None


class Outbox:
    """Where advisories wait. ``path`` None keeps them in memory (replay, tests)."""

    def __init__(
        self,
        path: Path | None,
        *,
        max_bytes: int = MAX_BYTES,
        on_trouble: Callable[[str], None] | None = None,
    ) -> None:
        self._path = path
        self._max_bytes = max_bytes
        self._on_trouble = on_trouble or _silent
        self._held: dict[int, Held] = {}  # insertion order is sending order
        self._unsaved: set[int] = set()  # held, but not on disk
        self._undeleted: set[int] = set()  # on disk, but acknowledged
        self._bytes = 0
        self._order = 0
        self._db: sqlite3.Connection | None = None
        self.boot = 0
        self.dropped = 0
        self.trouble = ""  # why it goes on in memory; "" when all is on disk
        if path is not None:
            self._open(path)

    @property
    def durable(self) -> bool:
        """Whether all that is held would survive a power cut."""
        return self._path is not None and not self.trouble

    def next_order(self) -> int:
        """The number that the next :meth:`put` gives; a signature must cover it beforehand."""
        return self._order + 1

    def put(self, seq: int, payload: bytes) -> Held:
        """Hold an advisory; on disk and synced when this returns, if the disk lets it."""
        self._order += 1
        held = Held(self._order, seq, payload)
        self._held[held.order] = held
        self._unsaved.add(held.order)
        self._bytes += len(payload)
        self._keep_bounds()
        self._save()
        return held

    def pending(self) -> list[Held]:
        """All that the broker has not acknowledged, oldest first."""
        return list(self._held.values())

    def __len__(self) -> int:
        return len(self._held)

    def delete(self, *orders: int) -> None:
        """The broker has them: forget them, in one commit. An unknown number is no fault."""
        for order in orders:
            self._forget(order)
        self._save()

    def _forget(self, order: int) -> None:
        held = self._held.pop(order, None)
        if held is None:
            return
        self._bytes -= len(held.payload)
        if order in self._unsaved:
            self._unsaved.discard(order)
        else:
            self._undeleted.add(order)

    def close(self) -> None:
        """Try the disk a last time and close the file."""
        self._save()
        if self._db is not None:
            with suppress(sqlite3.Error):
                self._db.close()
            self._db = None

    # --- the disk ------------------------------------------------------------------------------

    def _open(self, path: Path) -> None:
        try:
            self._db = _connect(path)
            self._take(_read(self._db))
            self._save()
        except ValueError as error:  # the library could not even decode what is wrong
            self._start_anew(path, error)
        except sqlite3.DatabaseError as error:
            if _is_damage(error, path):
                self._start_anew(path, error)
            else:
                self._take(_salvage(path))  # what a read-only disk still lets us see
                self._degrade(error)
        except OSError as error:
            self._degrade(error)

    def _take(self, found: _Found) -> None:
        """Begin from what the file holds."""
        self._held = {held.order: held for held in found.rows}
        self._bytes = sum(len(held.payload) for held in found.rows)
        self._order = max(found.counters.get("order", 0), *self._held, 0)
        self.boot = found.counters.get("boot", 0) + 1

    def _start_anew(self, path: Path, error: Exception) -> None:
        """Take over the readable rows of a damaged or foreign file, and begin a new one."""
        if self._db is not None:
            with suppress(sqlite3.Error):
                self._db.close()
            self._db = None
        self._take(_salvage(path))
        self._replace(path, error)

    def _replace(self, path: Path, error: Exception) -> None:
        """Set the file aside under another name; all that is held goes into a new one."""
        aside = path.with_suffix(f".aside-{os.getpid()}-{len(list(path.parent.glob('*.aside-*')))}")
        self._unsaved, self._undeleted = set(self._held), set()
        try:
            for tail in ("", "-wal", "-shm"):
                with suppress(FileNotFoundError):
                    os.replace(f"{path}{tail}", f"{aside}{tail}")
            self._db = _connect(path)
            self._write(self._db)
            self._unsaved.clear()
        except (sqlite3.Error, OSError, ValueError) as second:
            self._degrade(second)
        self._on_trouble(f"outbox set aside as {aside.name}, rows taken over: {error}")

    def _save(self) -> None:
        """Bring the file in line with memory in one synced transaction."""
        if self._path is None:
            self._unsaved.clear()
            self._undeleted.clear()
            return
        try:
            if self._db is None:
                self._db = _connect(self._path)
            self._write(self._db)
        except (sqlite3.Error, OSError, ValueError) as error:
            self._degrade(error)
            if isinstance(error, sqlite3.DatabaseError) and _is_damage(error, self._path):
                self.trouble = ""  # not the disk's fault: a new file will do
                self._replace(self._path, error)
            return
        self._unsaved.clear()
        self._undeleted.clear()
        if self.trouble:
            self.trouble = ""
            self._on_trouble("outbox is on disk again")

    def _write(self, db: sqlite3.Connection) -> None:
        with db:
            db.executemany(
                'DELETE FROM advisory WHERE "order" = ?', [(n,) for n in self._undeleted]
            )
            db.executemany(
                'INSERT OR REPLACE INTO advisory ("order", seq, payload) VALUES (?, ?, ?)',
                [(n, self._held[n].seq, self._held[n].payload) for n in sorted(self._unsaved)],
            )
            db.executemany(
                "INSERT OR REPLACE INTO counter (name, value) VALUES (?, ?)",
                zip(_COUNTERS, (self.boot, self._order), strict=True),
            )

    def _degrade(self, error: Exception) -> None:
        if self._db is not None:
            with suppress(sqlite3.Error):
                self._db.close()  # a handle from before a remount would fail for ever
            self._db = None
        text = f"outbox goes on in memory only: {error}"
        if text != self.trouble:
            self.trouble = text
            self._on_trouble(text)

    def _keep_bounds(self) -> None:
        while self._bytes > self._max_bytes and len(self._held) > 1:
            self._forget(next(iter(self._held)))
            self.dropped += 1
            if self.dropped == 1 or self.dropped % 100 == 0:
                self._on_trouble(f"outbox is full: {self.dropped} oldest advisories dropped")


def _connect(path: Path) -> sqlite3.Connection:
    path.parent.mkdir(parents=True, exist_ok=True)
    db = sqlite3.connect(path, timeout=1.0, isolation_level="IMMEDIATE", check_same_thread=False)
    try:
        db.execute("PRAGMA journal_mode=WAL")
        db.execute("PRAGMA synchronous=FULL")  # in WAL mode: every commit is synced
        version = db.execute("PRAGMA user_version").fetchone()[0]
        if version > SCHEMA_VERSION:
            raise _LaterSchema(f"{path.name} was written by a later version, schema {version}")
        with db:
            for schema in range(max(version, 1), SCHEMA_VERSION):
                db.execute(MIGRATIONS[schema])
            db.execute(
                'CREATE TABLE IF NOT EXISTS advisory ("order" INTEGER PRIMARY KEY, '
                "seq INTEGER NOT NULL, payload BLOB NOT NULL)"
            )
            db.execute("CREATE TABLE IF NOT EXISTS counter (name TEXT PRIMARY KEY, value INTEGER)")
            db.execute(f"PRAGMA user_version={SCHEMA_VERSION}")
        if db.execute("PRAGMA quick_check(1)").fetchone()[0] != "ok":
            raise sqlite3.DatabaseError("database disk image is malformed")
    except (sqlite3.Error, ValueError):
        db.close()
        raise
    return db


def _is_damage(error: sqlite3.DatabaseError, path: Path) -> bool:
    """Whether the file itself is at fault. What may pass is not: full, read-only, locked ...

    A flipped bit shows in many ways ("no such column"), so all that cannot pass counts; in the
    header it can also read as "read-only" on a disk that is not.
    """
    name = getattr(error, "sqlite_errorname", "")
    if name == "SQLITE_READONLY" and os.access(path, os.W_OK):
        return True
    return not any(name.startswith(f"SQLITE_{word}") for word in MAY_PASS)


@dataclass(frozen=True, slots=True)
class _Found:
    """What a file holds."""

    rows: list[Held]
    counters: dict[str, int]


def _read(db: sqlite3.Connection) -> _Found:
    rows = db.execute('SELECT "order", seq, payload FROM advisory ORDER BY "order"').fetchall()
    counters = dict(db.execute("SELECT name, value FROM counter").fetchall())
    numbers = [*counters.values(), *(n for order, seq, _ in rows for n in (order, seq))]
    if not all(map(_is_number, numbers)) or not all(
        isinstance(payload, bytes) for _, _, payload in rows
    ):
        # A flipped bit that the database itself does not see: sqlite has no checksums.
        raise sqlite3.DatabaseError("malformed: a value is of another kind than was written")
    return _Found([Held(order, seq, bytes(payload)) for order, seq, payload in rows], counters)


def _is_number(value: object) -> bool:
    return isinstance(value, int) and 0 <= value < MOST


def _salvage(path: Path) -> _Found:
    """Every row that can still be read of a damaged or read-only file."""
    rows: dict[int, Held] = {}
    counters: dict[str, int] = {}
    place = quote(str(path))
    # A file on a read-only disk whose WAL cannot be used opens only as "immutable".
    for how in ("mode=ro", "mode=ro&immutable=1"):
        for direction in ("ASC", "DESC"):  # from both ends towards the damage
            with (
                suppress(sqlite3.Error, ValueError),
                closing(_open_uri(f"file:{place}?{how}")) as db,
            ):
                query = f'SELECT "order", seq, payload FROM advisory ORDER BY "order" {direction}'
                for order, seq, payload in db.execute(query):
                    if _is_number(order) and _is_number(seq) and isinstance(payload, bytes):
                        rows.setdefault(order, Held(order, int(seq), payload))
        with suppress(sqlite3.Error, ValueError), closing(_open_uri(f"file:{place}?{how}")) as db:
            for name, value in db.execute("SELECT name, value FROM counter"):
                if name in _COUNTERS and _is_number(value):
                    counters.setdefault(name, value)
    return _Found([rows[order] for order in sorted(rows)], counters)


def _open_uri(uri: str) -> sqlite3.Connection:
    return sqlite3.connect(uri, uri=True, timeout=1.0)
