"""Without a screen: one picture as text, or views as JSON lines for another program."""

from __future__ import annotations

import asyncio
import json
from dataclasses import asdict

import click
from rich.console import Console

from supervisor.watch.listener import Listener
from supervisor.watch.terminal import screen
from supervisor.watch.view import row, urgency, view

PAUSE_S = 0.2


async def run(listener: Listener, *, once: bool, as_json: bool, units: str, wait_s: float) -> int:
    """Print; exit status 1 when ``once`` heard nothing within ``wait_s``."""
    listening = asyncio.create_task(listener.run())
    try:
        return await _print(listener, once, as_json, units, wait_s)
    finally:
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)


async def _print(listener: Listener, once: bool, as_json: bool, units: str, wait_s: float) -> int:
    end_s = listener.clock() + wait_s
    seen = -1
    while True:
        await listener.change(seen, 1.0)
        await asyncio.sleep(PAUSE_S)  # retained messages come in a bunch
        seen = listener.version
        heard = any(p.status is not None for p in listener.pictures.values())
        if once and not heard:
            if listener.clock() < end_s:
                continue
            click.echo("No aircraft was heard.", err=True)
            return 1
        if heard:
            _one_round(listener, as_json, units)
        if once:
            return 0


def _one_round(listener: Listener, as_json: bool, units: str) -> None:
    now_s, lost_s = listener.clock(), listener.lost_s
    if as_json:
        for picture in listener.pictures.values():
            click.echo(json.dumps(asdict(view(picture, now_s, lost_s)), separators=(",", ":")))
        return
    rows = sorted((row(p, now_s, lost_s) for p in listener.pictures.values()), key=urgency)
    chosen = rows[0].aircraft if len(rows) == 1 else ""
    console = Console()
    console.print(screen(listener, chosen, 0, units, console.width))
