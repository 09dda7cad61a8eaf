"""The watcher's own memory: everything heard, one JSON line each, a file a flight.

A page that is reloaded, a watcher that is started again or late, all see the whole story. Files
are only ever appended to; two watchers may share a folder, because folding twice changes nothing.
"""

from __future__ import annotations

import fcntl
import json
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Any, TextIO
from urllib.parse import quote

from pydantic import ValidationError

from supervisor.messages import Ack, Advisory, Health, History, Plan, Presence, Status, Track
from supervisor.watch.picture import Heard, Told

MODELS: dict[str, type[Told]] = {
    "status": Status,
    "advisory": Advisory,
    "plan": Plan,
    "track": Track,
    "presence": Presence,
    "history": History,
    "health": Health,
    "ack": Ack,
}
# Presence beats and health say nothing about the past, so they are not kept.
KEPT = ("status", "advisory", "plan", "track", "history", "ack")


def default_directory() -> Path:
    """Where state belongs that outlives a run (the freedesktop.org base directories)."""
    base = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(base) / "homeleg" / "watch"


class Store:
    """Append-only files below ``directory``; None keeps nothing."""

    def __init__(self, directory: Path | None) -> None:
        self.directory = directory
        self.fault = ""
        self._lock: TextIO | None = None  # kept open: the lock lives as long as we do

    def session(self) -> str:
        """A name that lasts, for the broker to queue advisories under while we are away.

        Empty when there is no folder or another watcher holds the name.
        """
        if self.directory is None:
            return ""
        try:
            self.directory.mkdir(parents=True, exist_ok=True)
            self._lock = (self.directory / "session").open("a+", encoding="ascii")
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return ""
        self._lock.seek(0)
        name = self._lock.read(64).strip()
        if not name:
            name = f"homeleg-watch-{secrets.token_hex(6)}"
            self._lock.write(name)
            self._lock.flush()
        return name

    def keep(self, leaf: str, heard: Heard) -> None:
        """Append one message; a disk that refuses is remembered and said, not fatal."""
        if self.directory is None or leaf not in KEPT:
            return
        message = heard.message
        flight = str(getattr(message, "flight", ""))
        path = self.directory / message.aircraft / f"{quote(flight, safe='')[:120]}.jsonl"
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("ab") as file:
                file.write(_line(leaf, heard))
            self.fault = ""
        except OSError as error:
            self.fault = f"{path}: {error.strerror}"

    def last_flights(self, aircraft: str | None = None) -> Iterator[Heard]:
        """What was heard in each aircraft's latest flight, in the order in which it was heard."""
        if self.directory is None or not self.directory.is_dir():
            return
        for folder in sorted(self.directory.iterdir()):
            if aircraft not in (None, folder.name) or not folder.is_dir():
                continue
            newest = max(folder.glob("*.jsonl"), key=lambda p: p.stat().st_mtime, default=None)
            if newest is not None:
                yield from read(newest)


def _line(leaf: str, heard: Heard) -> bytes:
    row = {
        "at_s": round(heard.at_s, 3),
        "leaf": leaf,
        "retained": heard.retained,
        "trust": heard.trust,
    }
    head = json.dumps(row, separators=(",", ":"), allow_nan=False)
    return f'{head[:-1]},"message":{heard.message.model_dump_json()}}}\n'.encode()


def read(path: Path) -> Iterator[Heard]:
    """The messages of one file; a torn or foreign line (power cut, newer schema) is skipped."""
    with path.open("rb") as file:
        for line in file:
            heard = _heard(line)
            if heard is not None:
                yield heard


def _heard(line: bytes) -> Heard | None:
    try:
        row: dict[str, Any] = json.loads(line)
        message = MODELS[row["leaf"]].model_validate(row["message"], extra="ignore")
        return Heard(float(row["at_s"]), message, bool(row["retained"]), row["trust"])
    except (ValueError, KeyError, TypeError, ValidationError):
        return None
