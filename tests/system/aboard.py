"""A daemon as a process of its own, fed over UDP and looked at from outside."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from brokers import free_port, free_udp_port
from patience import PATIENCE_S

from sim import scenario
from supervisor.edge.recording import Recording

FLIGHT = scenario.FOLDER / "estuary" / "flight.toml"
PACE = 20  # moments sent before it is asked to keep up: some 100 frames


@dataclass
class Daemon:
    """``homeleg run`` in ``folder``. ``before``: words in front of the command (prlimit ...)."""

    folder: Path
    flight: Path = FLIGHT
    clock: str = "telemetry"
    before: tuple[str, ...] = ()
    sections: dict[str, dict[str, Any]] = field(default_factory=dict)
    environment: dict[str, str] = field(default_factory=dict)

    def __enter__(self) -> Daemon:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.udp, self.metrics_port = free_udp_port(), free_port()
        self.storage = self.folder / "storage"
        sections = {
            "link": {"address": f"udp:127.0.0.1:{self.udp}"},
            "storage": {"directory": str(self.storage)},
            "health": {"metrics_port": self.metrics_port, "period_s": 1},
            "forecast": {"members": 50, "points": 8},
        }
        for name, keys in self.sections.items():
            sections[name] = sections.get(name, {}) | keys
        text = f'log = "json"\nclock = "{self.clock}"\n'
        for name, keys in sections.items():
            text += f"[{name}]\n" + "".join(f"{k} = {json.dumps(v)}\n" for k, v in keys.items())
        config = self.folder / "daemon.toml"
        config.write_text(text, encoding="utf-8")
        self._log = (self.folder / "log.jsonl").open("w")
        command = [sys.executable, "-m", "supervisor", "run", "--flight", str(self.flight)]
        self.process = subprocess.Popen(
            [*self.before, *command, "--config", str(config)],
            stderr=self._log,
            env=os.environ | self.environment,
        )
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.socket.setblocking(False)
        try:
            self.wait(lambda: self.events("daemon_ready"), "ready")
        except AssertionError:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(PATIENCE_S)
        self._log.close()
        self.socket.close()

    def send(self, data: bytes) -> None:
        self.socket.sendto(data, ("127.0.0.1", self.udp))

    def fly(
        self, airframe: Any, times: Iterable[float], pause_s: float = 0.0005, *, paced: bool = True
    ) -> None:
        """Frames of these moments, as fast as the daemon takes them."""
        for count, t_s in enumerate(times, 1):
            for frame in airframe.frames(t_s):
                self.send(frame)
            time.sleep(pause_s)
            if paced and count % PACE == 0:
                self.keep_up()

    def keep_up(self) -> None:
        """Wait until it has taken what was sent: a socket that is full loses datagrams.

        It answers in the loop that reads the link, so an answer means that it came round to both.
        """
        self.metrics()

    def heard(self) -> list[bytes]:
        """What it has sent back to us so far."""
        got = []
        while True:
            try:
                got.append(self.socket.recv(2048))
            except BlockingIOError:
                return got

    def logs(self) -> list[dict[str, Any]]:
        lines = (self.folder / "log.jsonl").read_text(encoding="utf-8").splitlines()
        return [json.loads(line) for line in lines if line.startswith("{") and line.endswith("}")]

    def events(self, name: str) -> list[dict[str, Any]]:
        return [line for line in self.logs() if line["event"] == name]

    def metrics(self) -> dict[str, float]:
        url = f"http://127.0.0.1:{self.metrics_port}/metrics"
        with urllib.request.urlopen(url, timeout=PATIENCE_S) as answer:
            page = answer.read().decode()
        rows = re.findall(r'^homeleg_(\w+)\{aircraft="[\w-]+"\} (\S+)$', page, re.MULTILINE)
        return {name: float(value) for name, value in rows}

    def wait(self, until: Callable[[], Any], what: str, limit_s: float = PATIENCE_S) -> None:
        end = time.monotonic() + limit_s
        while not until():
            assert self.process.poll() is None, (self.folder / "log.jsonl").read_text()
            assert time.monotonic() < end, f"not within {limit_s} s: {what}"
            time.sleep(0.05)

    def stop(self) -> None:
        """In good order; asserts that it was."""
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(PATIENCE_S) == 0
        text = (self.folder / "log.jsonl").read_text(encoding="utf-8")
        assert "Traceback" not in text, text
        assert not self.events("core_fault")
        assert not self.events("part_failed")

    def recorded(self, topic: str) -> list[dict[str, Any]]:
        """Recorded JSON messages of all its recordings."""
        found: list[dict[str, Any]] = []
        begun = (path for path in self.storage.glob("*.mcap") if path.stat().st_size > 8)
        for path in sorted(begun):
            found += [json.loads(data) for _, _, data in Recording(path).messages({topic})]
        return found
