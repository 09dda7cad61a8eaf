"""A signed acknowledgement from the page through a running daemon: judged aboard, shown to all."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest
from aboard import FLIGHT, Daemon
from airframe import Airframe
from brokers import plain
from page_scene import fresh_page
from watching import Watch, chromium, keep_screenshot, until

from supervisor.keys import Fleet, Wanted

pytestmark = [pytest.mark.system, pytest.mark.browser]

RAISED = "document.querySelector('#alert-list')?.textContent ?? ''"


def anxious(folder: Path) -> Path:
    """So large a reserve that it must turn within minutes."""
    text = FLIGHT.read_text(encoding="utf-8")
    policy = "final_reserve = { nameplate_percent = 66.0 }"
    path = folder / "anxious.toml"
    path.write_text(text.replace("final_reserve = { hover_min = 3.0 }", policy), encoding="utf-8")
    return path


class Flying:
    """The scripted aircraft in front of a daemon, a few times faster than life."""

    def __init__(self, daemon: Daemon) -> None:
        self.daemon, self.airframe, self.t_s = daemon, Airframe(), 0

    def on(self, seconds: int, pause_s: float = 0.001) -> None:
        for second in range(self.t_s, self.t_s + seconds):
            fast = second < 100  # take-off and climb closely
            times = [second + tick / 5 for tick in range(5)] if fast else [float(second)]
            self.daemon.fly(self.airframe, times, pause_s)
        self.t_s += seconds

    def until(self, page: Any, words: str, limit_s: int = 1500) -> None:
        """Fly on until the page says so."""
        raised = words.replace(" ", "-")
        while words not in page.evaluate(RAISED):
            if not any(raised in line["condition"] for line in self.daemon.events("advisory")):
                assert self.t_s < limit_s, page.evaluate(RAISED)
                self.on(5, 0.01)
            page.wait_for_timeout(20)


def test_a_signed_acknowledgement_reaches_the_aircraft_and_everyone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ann's counts and is shown as hers, also to one who comes later; Bo's, unsigned, does not."""
    monkeypatch.setattr("airframe.DATE_S", int(time.time()))  # an ack's date must fit the flight's
    Fleet(tmp_path / "keys").make(Wanted(("localhost",), ("heron-1",), ("ann", "bo")))
    keys = tmp_path / "keys"
    broker = plain(tmp_path / "broker").start()
    section = {
        "address": f"mqtt://127.0.0.1:{broker.port}",
        "signing_key": str(keys / "aircraft" / "heron-1" / "signing.pem"),
        "people": str(keys / "aircraft" / "heron-1" / "people.toml"),
    }
    ring = ("--keys", str(keys / "people" / "ann" / "aircraft.toml"))
    sign = ("--sign", str(keys / "people" / "ann" / "signing.pem"))
    ann = Watch(broker.port, tmp_path / "ann", (*ring, *sign, "--name", "ann")).start()
    bo = Watch(broker.port, tmp_path / "bo", (*ring, "--name", "bo")).start()
    try:
        with (
            chromium() as browser,
            Daemon(
                tmp_path / "d", flight=anxious(tmp_path), sections={"broker": section}
            ) as daemon,
        ):
            daemon.wait(lambda: daemon.events("broker_connected"), "broker")
            hers, his = fresh_page(browser), fresh_page(browser)
            hers.goto(ann.address)
            his.goto(bo.address)
            flying = Flying(daemon)
            flying.until(hers, "turn back")
            until(lambda: "turn back" in his.evaluate(RAISED))
            until(lambda: flying.on(1, 0.2) or "Live, signed" in hers.text_content("#fresh"))

            his.click("#alert-list button >> nth=0")
            daemon.wait(lambda: daemon.events("ack_refused"), "the unsigned one is refused")
            assert not daemon.events("advisory_acknowledged")
            until(lambda: "Acknowledged by bo" in hers.evaluate(RAISED))
            assert "(not verified)" in hers.evaluate(RAISED)

            hers.click("#alert-list button >> nth=0")
            daemon.wait(lambda: daemon.events("advisory_acknowledged"), "hers counts")
            (counted,) = daemon.events("advisory_acknowledged")
            assert counted["by"] == "ann"
            flying.on(60)
            daemon.wait(lambda: any(_by(s) for s in daemon.recorded("status")), "in the status")
            for page in (hers, his):
                # Her own page first shows what it sent, unconfirmed; then what the aircraft says.
                until(lambda page=page: _verified(page.evaluate(RAISED), "ann"))

            late = Watch(broker.port, tmp_path / "late", ring).start()
            page = fresh_page(browser)
            page.goto(late.address)
            until(lambda: "Acknowledged by ann at" in page.evaluate(RAISED))
            keep_screenshot(page, "signed-late")
            late.stop()
    finally:
        ann.stop()
        bo.stop()
        broker.stop()


def _verified(raised: str, name: str) -> bool:
    _, *said = raised.split(f"Acknowledged by {name} at")
    return bool(said) and "not verified" not in said[0].split("Acknowledge")[0]


def _by(status: dict[str, Any]) -> bool:
    return any(active["acked_by"] == "ann" for active in status["active"])
