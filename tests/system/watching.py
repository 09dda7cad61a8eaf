"""A real broker, a real ``homeleg watch``, a real Chromium, and a voice that publishes."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as paho
from patience import PATIENCE_S

from supervisor.edge.delta import Unpacker
from supervisor.messages import Ack, Message, Presence, Status, topic

REPOSITORY = Path(__file__).resolve().parents[2]
WIDTHS = {"phone": (390, 844), "laptop": (1366, 768), "wide": (1920, 1080)}


@dataclass
class Voice:
    """Publishes as an aircraft would, and hears what is acknowledged."""

    port: int
    acks: list[Ack] = field(default_factory=list)
    statuses: dict[float, Status] = field(default_factory=dict)
    unpacker: Unpacker = field(default_factory=Unpacker)

    def __post_init__(self) -> None:
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._client.on_message = self._heard
        self._client.connect("127.0.0.1", self.port)
        self._client.subscribe("homeleg/v1/+/ack", qos=1)
        self._client.subscribe("homeleg/v1/+/status", qos=1)
        self._client.loop_start()

    def _heard(self, _client: Any, _data: Any, message: Any) -> None:
        if message.topic.endswith("/ack"):
            self.acks.append(Ack.model_validate_json(message.payload))
        else:
            status = Status.model_validate_json(self.unpacker.open(message.topic, message.payload))
            self.statuses[status.t] = status

    def say(self, message: Message, *, retain: bool | None = None) -> None:
        """Publish one message under its own topic, retained as the daemon would."""
        leaf = type(message).__name__.lower()
        kept = leaf in ("status", "plan", "presence", "health") if retain is None else retain
        where = topic(message.aircraft, leaf)  # type: ignore[attr-defined]
        self._client.publish(where, message.payload(), qos=1, retain=kept).wait_for_publish(
            PATIENCE_S
        )

    def close(self) -> None:
        self._client.loop_stop()
        self._client.disconnect()


@dataclass
class Watch:
    """One ``homeleg watch`` process."""

    port: int
    store: Path
    extra: tuple[str, ...] = ()
    address: str = ""
    process: subprocess.Popen[str] | None = None

    def start(self) -> Watch:
        command = [sys.executable, "-m", "supervisor", "watch", "--no-browser", "--name", "Ada"]
        command += ["--broker", f"mqtt://127.0.0.1:{self.port}", "--store", str(self.store)]
        self.process = subprocess.Popen(
            [*command, *self.extra],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            cwd=REPOSITORY,
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        found = re.search(r"http://\S+", line)
        assert found, f"no address in {line!r}"
        self.address = found[0]
        return self

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(PATIENCE_S)


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser that talks to nobody but the page; skipped where it is not installed."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="pip install playwright")
    program = os.environ.get("CHROMIUM") or shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is not installed")
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=program,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        try:
            yield browser
        finally:
            browser.close()


def axe() -> str:
    """The text of axe-core as an installed package carries it, or skip."""
    package = pytest.importorskip(
        "axe_playwright_python", reason="pip install axe-playwright-python"
    )
    found = next(Path(package.__file__).parent.rglob("axe.min.js"), None)
    if found is None:
        pytest.skip("axe-playwright-python carries no axe.min.js")
    return found.read_text(encoding="utf-8")


def offline(aircraft: str, flight: str) -> Presence:
    """What the broker publishes when the link is lost."""
    return Presence(aircraft=aircraft, state="offline", flight=flight, reason="lost")


def until(what: Any, limit_s: float = PATIENCE_S) -> float:
    """Seconds until ``what()`` holds; fails after ``limit_s``."""
    began = time.monotonic()
    while time.monotonic() - began < limit_s:
        if what():
            return time.monotonic() - began
        time.sleep(0.02)
    pytest.fail(f"not within {limit_s} s")


def keep_screenshot(page: Any, name: str) -> None:
    """For looking at: kept below HOMELEG_SCREENSHOTS when that is set, outside the repository."""
    folder = os.environ.get("HOMELEG_SCREENSHOTS")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)
