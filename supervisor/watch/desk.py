"""The live terminal screen and its keys.

Arrows or j/k choose an aircraft, Enter opens it, Escape goes back to all, a acknowledges the most
urgent advisory, u changes units, q ends.
"""

from __future__ import annotations

import asyncio
import os
import sys
import termios
import tty
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.live import Live

from supervisor.watch.listener import Listener
from supervisor.watch.said import acknowledged
from supervisor.watch.terminal import screen
from supervisor.watch.view import Row, row, urgency, view


class Desk:
    """What the keys have chosen."""

    def __init__(self, listener: Listener, units: str) -> None:
        self.listener, self.units = listener, units
        self.chosen, self.cursor, self.note = "", 0, ""
        self.ended = asyncio.Event()
        self.pressed = asyncio.Event()
        self._asking: set[asyncio.Task[None]] = set()

    def rows(self) -> list[Row]:
        now_s, lost_s = self.listener.clock(), self.listener.lost_s
        pictures = self.listener.pictures.values()
        return sorted((row(p, now_s, lost_s) for p in pictures), key=urgency)

    def key(self, code: str) -> None:
        """Do what a key means."""
        self.pressed.set()
        rows = self.rows()
        match code:
            case "q" | "\x03":
                self.ended.set()
            case "j" | "\x1b[B":
                self.cursor = min(self.cursor + 1, max(len(rows) - 1, 0))
            case "k" | "\x1b[A":
                self.cursor = max(self.cursor - 1, 0)
            case "\r" | "\n" if rows:
                self.chosen = rows[min(self.cursor, len(rows) - 1)].aircraft
            case "\x1b" | "b":
                self.chosen = ""
            case "u":
                self.units = "metric" if self.units == "nautical" else "nautical"
            case "a":
                self._acknowledge(rows)

    def _acknowledge(self, rows: list[Row]) -> None:
        name = self.chosen or (rows[min(self.cursor, len(rows) - 1)].aircraft if rows else "")
        picture = self.listener.pictures.get(name)
        if picture is None:
            return
        shown = view(picture, self.listener.clock())
        due = [a for a in shown.advisories if a.active and a.level != "normal"]
        open_ = [a for a in due if not acknowledged(a)]
        if not open_:
            self.note = "Nothing to acknowledge."
            return
        task = asyncio.create_task(self._send(name, shown.flight, open_[0].seq))
        self._asking.add(task)
        task.add_done_callback(self._asking.discard)

    async def _send(self, name: str, flight: str, seq: int) -> None:
        try:
            await self.listener.acknowledge(name, flight, seq)
            self.note = f"Acknowledgement of number {seq} sent."
        except ConnectionError as error:
            self.note = str(error)
        self.pressed.set()


async def run(listener: Listener, *, units: str) -> int:
    """The live screen until q."""
    desk, console = Desk(listener, units), Console()
    with _keys(desk), Live(console=console, screen=True, auto_refresh=False) as live:
        async with asyncio.TaskGroup() as tasks:
            listening = tasks.create_task(listener.run())
            while not desk.ended.is_set():
                live.update(
                    screen(listener, desk.chosen, desk.cursor, desk.units, console.width,
                           desk.note), refresh=True,
                )  # fmt: skip
                await _next(listener, desk)
            listening.cancel()
    return 0


async def _next(listener: Listener, desk: Desk) -> None:
    """Until a key is pressed, something is heard, or a second has passed."""
    desk.pressed.clear()
    heard = asyncio.create_task(listener.change(listener.version, 1.0))
    pressed = asyncio.create_task(desk.pressed.wait())
    await asyncio.wait({heard, pressed}, timeout=1.0, return_when=asyncio.FIRST_COMPLETED)
    for task in (heard, pressed):
        task.cancel()
    await asyncio.sleep(0.1)


@contextmanager
def _keys(desk: Desk) -> Iterator[None]:
    """Single key presses from the terminal, and its settings given back."""
    if not sys.stdin.isatty():
        yield
        return
    fd = sys.stdin.fileno()
    before = termios.tcgetattr(fd)
    loop = asyncio.get_running_loop()
    loop.add_reader(fd, lambda: desk.key(os.read(fd, 16).decode("utf-8", "ignore")))
    try:
        tty.setcbreak(fd)
        yield
    finally:
        loop.remove_reader(fd)
        termios.tcsetattr(fd, termios.TCSADRAIN, before)
