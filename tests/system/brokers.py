"""Real mosquittos for tests, run with the very files of deploy/mosquitto."""

from __future__ import annotations

import random
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.system.patience import PATIENCE_S

DEPLOY = Path(__file__).resolve().parents[2] / "deploy" / "mosquitto"

CHANCE = random.SystemRandom()  # not the seeded one: tests that run beside us draw, too


def program() -> str:
    """mosquitto, or skip."""
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
    if found is None:
        pytest.skip("mosquitto is not installed")
    return found


def free_port(kind: socket.SocketKind = socket.SOCK_STREAM) -> int:
    """One that nobody listens at, nor will before it is used.

    Not the kernel's choice: what it hands out for a moment it hands out again, to any connection
    that another test makes (32768 to 60999; ip-sysctl, ip_local_port_range).
    """
    while True:
        port = CHANCE.randrange(10_000, 32_000)
        with socket.socket(socket.AF_INET, kind) as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


def free_udp_port() -> int:
    """The same for datagrams."""
    return free_port(socket.SOCK_DGRAM)


@dataclass
class Mosquitto:
    """One broker process with a configuration of its own; restartable."""

    folder: Path
    config: str
    port: int
    within: tuple[str, ...] = ()  # a command to run it under, e.g. in a network namespace
    host: str = "127.0.0.1"
    process: subprocess.Popen[bytes] | None = field(default=None, init=False)

    def start(self) -> Mosquitto:
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / "mosquitto.conf"
        path.write_text(self.config, encoding="utf-8")
        with (self.folder / "log").open("ab") as log:
            command = [*self.within, program(), "-c", str(path)]
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        self._wait()
        return self

    def _wait(self) -> None:
        assert self.process is not None
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            assert self.process.poll() is None, self.log()
            if self.within:
                if "running" in self.log():
                    return
            else:
                try:
                    socket.create_connection((self.host, self.port), 0.2).close()
                    return
                except OSError:
                    pass
            time.sleep(0.02)
        pytest.fail(f"mosquitto did not start: {self.log()}")

    def kill(self) -> None:
        """As a power cut would."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        self._end(signal.SIGTERM)

    def freeze(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGCONT)

    def reload(self) -> None:
        """Have it read its access list again."""
        assert self.process is not None
        self.process.send_signal(signal.SIGHUP)

    def _end(self, number: signal.Signals) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(number)
            self.process.wait(PATIENCE_S)

    def log(self) -> str:
        return (self.folder / "log").read_text(encoding="utf-8", errors="replace")


def plain(folder: Path, *, persistent: bool = False, extra: Iterable[str] = ()) -> Mosquitto:
    """A broker on loopback without TLS."""
    port = free_port()
    lines = [
        f"listener {port} 127.0.0.1",
        "allow_anonymous true",
        "user root",
        "log_type all",
        *extra,
    ]
    if persistent:
        lines += ["persistence true", f"persistence_location {folder}/"]
        lines += ["autosave_on_changes true", "autosave_interval 1"]
    return Mosquitto(folder, "\n".join(lines) + "\n", port)


def shore(folder: Path, keys: Path, port: int | None = None) -> Mosquitto:
    """deploy/mosquitto/shore.conf with this test's paths and port."""
    port = port or free_port()
    text = (DEPLOY / "shore.conf").read_text(encoding="utf-8")
    text = text.replace("listener 8883", f"listener {port}")
    text = text.replace("/etc/mosquitto/homeleg/", f"{keys}/server/")
    text = text.replace("/var/lib/mosquitto/", f"{folder}/")
    return Mosquitto(folder, text + "user root\n", port)


def aboard(
    folder: Path, keys: Path, aircraft: str, shore_port: int, host: str = "127.0.0.1"
) -> Mosquitto:
    """deploy/mosquitto/aboard.conf with this test's paths, names and ports."""
    port = free_port()
    text = (DEPLOY / "aboard.conf").read_text(encoding="utf-8")
    text = text.replace("listener 1883", f"listener {port}")
    text = text.replace("shore.example:8883", f"{host}:{shore_port}")
    text = text.replace("/etc/mosquitto/homeleg/", f"{keys}/aircraft/{aircraft}/")
    text = text.replace("/var/lib/mosquitto/", f"{folder}/").replace("SALTMERE-1", aircraft)
    return Mosquitto(folder, text + "user root\n", port)
