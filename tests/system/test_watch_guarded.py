"""What the page lets nobody do: foreign strings, foreign hosts, foreign pages, foreign tiles."""

from __future__ import annotations

import json
import math
import re
import socket
import sys
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import psutil
import pytest
from brokers import plain
from page_scene import Scene, fresh_page, read, shown
from watching import Voice, Watch, until

sys.path.insert(0, str(Path(__file__).parents[1] / "watch"))
from scripted import TURN_T, Story

pytestmark = [pytest.mark.system, pytest.mark.browser]


def test_strings_from_the_aircraft_stay_text(scene: Scene, page: Any) -> None:
    evil = "<img src=x onerror=document.title='owned'><script>1</script>"
    scene.voice.say(scene.story.plan().model_copy(update={"name": evil}))
    scene.voice.say(scene.story.health(troubles=[evil]))
    active = [a.model_copy(update={"acked_by": evil}) for a in scene.story.active(TURN_T + 5)]
    status = scene.fly(TURN_T + 5, sentence=evil, phase=evil[:20], active=active, next_s=60.0)
    shown(page, scene, status)
    assert read(page, "#sentence") == evil
    assert evil in read(page, "#alert-list")
    assert evil in read(page, "#aboard")
    assert page.eval_on_selector_all("main img, main script", "all => all.length") == 0
    assert "owned" not in page.title()


def test_nothing_is_asked_of_any_other_host_and_the_policy_is_strict(
    scene: Scene, page: Any
) -> None:
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    scene.fly(1000.0)
    answer = page.goto(scene.watch.address)
    page.wait_for_selector("#rope .rope-sure", state="attached")
    assert {url for url in asked if not url.startswith(scene.watch.address)} == set()
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    refused = page.evaluate("""() => { try { document.body.innerHTML = '<b>x</b>'; return false; }
                               catch { return true; } }""")
    assert refused  # trusted types: no string can become markup, even by mistake
    assert page.faults in ([], page.faults[:1])  # that attempt is reported, nothing else


def _status_of(request: urllib.request.Request) -> int:
    try:
        with urllib.request.urlopen(request) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        return error.code


def test_foreign_names_and_foreign_pages_are_refused(scene: Scene) -> None:
    base = scene.watch.address
    wish = json.dumps({"aircraft": "heron-1", "flight": "f1", "seq": 1}).encode()
    named = urllib.request.Request(base, headers={"Host": "evil.example"})
    assert _status_of(named) == 421
    headers = {"content-type": "application/json", "origin": "http://evil.example"}
    assert _status_of(urllib.request.Request(f"{base}ack", wish, headers)) == 403
    del headers["origin"]
    assert _status_of(urllib.request.Request(f"{base}ack", wish, headers)) == 403
    headers["origin"] = base.rstrip("/")
    assert _status_of(urllib.request.Request(f"{base}ack", b"{}", headers)) == 400
    assert _status_of(urllib.request.Request(f"{base}page/..%2f..%2fshell.py")) == 404


def test_it_is_bound_to_loopback_unless_told(scene: Scene) -> None:
    assert scene.watch.process is not None
    process = psutil.Process(scene.watch.process.pid)
    listening = [c.laddr.ip for c in process.net_connections("tcp") if c.status == "LISTEN"]
    assert listening == ["127.0.0.1"]


def test_from_another_computer_one_may_look_and_not_acknowledge(scene: Scene) -> None:
    """Bound to every address on request; the request comes in over a real interface."""
    others = [a.address for interface in psutil.net_if_addrs().values() for a in interface
              if a.family == socket.AF_INET and not a.address.startswith("127.")]  # fmt: skip
    if not others:
        pytest.skip("this computer has no address but loopback")
    scene.watch.stop()
    scene.watch = Watch(scene.broker.port, scene.store, ("--host", "0.0.0.0")).start()
    base = scene.watch.address.replace("0.0.0.0", others[0])
    assert _status_of(urllib.request.Request(base)) == 200
    wish = json.dumps({"aircraft": "heron-1", "flight": "f1", "seq": 1}).encode()
    headers = {"content-type": "application/json", "origin": base.rstrip("/")}
    assert _status_of(urllib.request.Request(f"{base}ack", wish, headers)) == 403


def test_tiles_come_only_from_the_server_that_was_named(tmp_path: Path, browser: Any) -> None:
    broker = plain(tmp_path / "broker").start()
    voice = Voice(broker.port)
    story = Story()
    watch = Watch(broker.port, tmp_path / "store", ("--tiles", TILES)).start()
    page = fresh_page(browser)
    asked: list[str] = []
    page.route("http://127.0.0.1:9/**", lambda route: (asked.append(route.request.url),
                                                       route.fulfill(status=204)))  # fmt: skip
    try:
        voice.say(story.plan())
        voice.say(story.status(1000.0))
        page.goto(watch.address)
        page.wait_for_selector("#map image", state="attached")
        until(lambda: page.wait_for_timeout(50) or asked)
        assert all(re.fullmatch(r"http://127\.0\.0\.1:9/\d+/\d+/\d+\.png", url) for url in asked)
        assert "Map pictures from 127.0.0.1:9" in read(page, "#map-note")
        check_tile(asked[0])
    finally:
        page.close()
        voice.close()
        watch.stop()
        broker.stop()


TILES = "http://127.0.0.1:9/{z}/{x}/{y}.png"


def check_tile(url: str) -> None:
    """The tile holds or neighbours the scene: slippy-map numbering, x = (lon + 180) / 360 * 2^z,
    y = (1 - asinh(tan(lat)) / pi) / 2 * 2^z (from memory of the common convention)."""
    z, x, y = map(int, re.findall(r"/(\d+)", url)[-3:])
    n = 2**z
    column = (-28.2 + 180.0) / 360.0 * n
    line = (1.0 - math.asinh(math.tan(math.radians(44.15))) / math.pi) / 2.0 * n
    assert abs(x + 0.5 - column) < 4
    assert abs(y + 0.5 - line) < 4
