"""Listener and page together, until they are interrupted."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import webbrowser

import click
import uvicorn

from supervisor.errors import InputError
from supervisor.watch.listener import Listener
from supervisor.watch.shell import application


async def run(
    listener: Listener, *, host: str, port: int, tiles: str, units: str, browser: bool
) -> int:
    """Serve until interrupted; the address is printed once the page can be opened."""
    bound = _bind(host, port)
    config = uvicorn.Config(
        application(listener, host=host, tiles=tiles, units=units),
        log_config=None,
        access_log=False,
        lifespan="off",
        ws="none",
        server_header=False,
        timeout_graceful_shutdown=1,
    )
    server = uvicorn.Server(config)
    async with asyncio.TaskGroup() as tasks:
        listening = tasks.create_task(listener.run())
        opening = tasks.create_task(_announce(server, bound, browser))
        await server.serve(sockets=[bound])
        listening.cancel()
        opening.cancel()
    return 0


def _bind(host: str, port: int) -> socket.socket:
    """A listening socket; port 0 takes a free one."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    bound = socket.socket(family, socket.SOCK_STREAM)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((host, port))
    except OSError as error:
        bound.close()
        raise InputError("--host, --port", f"{host}:{port}: {error.strerror}") from None
    return bound


async def _announce(server: uvicorn.Server, bound: socket.socket, browser: bool) -> None:
    while not server.started:
        await asyncio.sleep(0.02)
    host, port = bound.getsockname()[:2]
    shown = f"[{host}]" if ":" in host else host
    address = f"http://{shown}:{port}/"
    click.echo(f"Watching at {address} (stop with Ctrl-C)")
    if not _loopback(host):
        click.echo("Anyone who reaches this address can see the page.", err=True)
    if browser:
        with contextlib.suppress(webbrowser.Error):
            await asyncio.to_thread(webbrowser.open, address)


def _loopback(host: str) -> bool:
    return ipaddress.ip_address(host).is_loopback
