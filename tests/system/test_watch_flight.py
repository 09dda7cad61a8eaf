"""The page while a whole simulated flight goes by: simulator, daemon, broker, watcher, Chromium."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from brokers import plain
from page_scene import fresh_page
from patience import PATIENCE_S
from watching import REPOSITORY, Voice, Watch, chromium, keep_screenshot, until

from supervisor.messages import Status

pytestmark = [pytest.mark.system, pytest.mark.browser, pytest.mark.slow]

LOOK = """() => ({ t: +document.querySelector('#one').dataset.t,
    word: document.querySelector('#word').textContent,
    sentence: document.querySelector('#sentence').textContent,
    figure: document.querySelector('#figure').textContent,
    unit: document.querySelector('#figure-unit').textContent,
    caption: document.querySelector('#figure-caption').textContent,
    ledger: document.querySelector('#ledger-sum').textContent })"""


def agrees(seen: dict[str, Any], status: Status) -> None:
    """Each figure of the page is the published one, rounded as the page says it rounds."""
    numbers = status.numbers
    if seen["caption"] == "until it must turn" and numbers is not None:
        minutes = seen["figure"].split(":")
        shown = float(minutes[0]) + (float(minutes[1]) / 60.0 if len(minutes) > 1 else 0.0)
        if seen["unit"] == "s":
            shown /= 60.0
        safe = numbers.turn_back_safe_min
        assert safe is not None
        # Rounded down to whole minutes above ten; counted on by less than three seconds of age.
        assert safe - 1.05 <= shown <= max(safe, 0.0)  # there is no time below none
    phases = ("turn", "climb", "cruise", "descent", "landing")
    home_wh = sum(wh for term, wh in status.ledger_wh.items() if term in phases)
    assert (
        seen["ledger"].startswith(f"home leg {home_wh:.0f} Wh")
        or abs(float(seen["ledger"].split()[2]) - home_wh) <= 0.6
    )


def test_a_simulated_flight_from_the_laptop(tmp_path: Path) -> None:
    """At 40 times real time: what is shown is what was published, and an acknowledgement comes
    back from the aircraft's own status."""
    broker = plain(tmp_path / "broker").start()
    voice = Voice(broker.port)
    watch = Watch(broker.port, tmp_path / "store").start()
    command = [sys.executable, "-m", "supervisor", "demo", "--rate", "40"]
    command += ["--broker", f"mqtt://127.0.0.1:{broker.port}", "--out", str(tmp_path / "demo")]
    with (tmp_path / "demo.log").open("wb") as log:
        demo = subprocess.Popen(command, stdout=log, stderr=log, cwd=REPOSITORY)
    try:
        with chromium() as browser:
            page = fresh_page(browser)
            page.goto(watch.address)
            page.wait_for_selector("#alert-list button:not([hidden])")
            words = {page.text_content("#word")}

            def shows_it() -> bool:
                words.add(page.text_content("#word"))
                return "Acknowledged by Ada" in page.text_content("#alert-list")

            page.click("#alert-list button:not([hidden])")
            until(shows_it)
            until(lambda: any(_acked(s) for s in voice.statuses.values()))
            words |= _follow(page, voice, demo)
            keep_screenshot(page, "flight-home")
            assert {"Be ready", "Act now"} <= words
            until(lambda: "turn back now" in page.text_content("#alert-list"))
    finally:
        demo.terminate()
        demo.wait(PATIENCE_S)
        voice.close()
        watch.stop()
        broker.stop()


def _acked(status: Status) -> bool:
    return any(active.acked_by == "Ada" for active in status.active)


def _follow(page: Any, voice: Voice, demo: subprocess.Popen[bytes]) -> set[str]:
    """Compare page and publication until the aircraft is on its way home; the words seen."""
    words: set[str] = set()
    compared = 0
    end_s = time.monotonic() + 300.0
    while time.monotonic() < end_s and demo.poll() is None:
        seen = page.evaluate(LOOK)
        words.add(seen["word"])
        if seen["word"] == "Act now" and seen["sentence"] not in words:
            words.add(seen["sentence"])
            keep_screenshot(page, "flight-warning")
        status = voice.statuses.get(seen["t"])
        if status is not None and seen["word"] != "No word" and _settled(seen, status):
            agrees(seen, status)
            compared += 1
        if status is not None and status.homeward:
            break
        page.wait_for_timeout(150)
    print(f"{compared} moments compared, {len(voice.statuses)} statuses published")
    assert compared > 10  # how many depends on the machine; that they agree does not
    return words


def _settled(seen: dict[str, Any], status: Status) -> bool:
    """An advisory may run ahead of its status for a moment; then the sentence is its own."""
    return bool(seen["sentence"][-30:] == status.sentence[-30:])
