"""Bytes an hour as the link counts them: IP, TCP, TLS, MQTT and all, both ways."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from brokers import Mosquitto, shore
from lab import Lab

from supervisor.keys import Fleet, Wanted

pytestmark = [pytest.mark.system, pytest.mark.netns]
SCALE = 100.0  # a status every 0.1 s: later than any delayed acknowledgement of TCP (40 ms)
HOURS = 1.0 if os.environ.get("HOMELEG_LONG") == "1" else 0.25


def measured(tmp_path: Path, *words: str) -> tuple[int, int, int]:
    """The uplink's own count, statuses sent, and the link's count."""
    with Lab() as lab:
        Fleet(tmp_path / "keys").make(
            Wanted(servers=("127.0.0.1", lab.shore), aircraft=("saltmere-1",), people=("ann",))
        )
        broker = shore(tmp_path / "shore", tmp_path / "keys").start()
        try:
            return an_hour(lab, broker, tmp_path / "keys", *words)
        finally:
            broker.stop()


def test_a_calm_hour_over_tls(tmp_path: Path, record_property: object) -> None:
    counted, statuses, link_bytes = measured(tmp_path)
    bytes_an_hour = link_bytes / HOURS
    print(f"{bytes_an_hour / 1000:.0f} kB and {statuses / HOURS:.0f} statuses an hour")
    if callable(record_property):
        record_property("bytes_an_hour", round(bytes_an_hour))
    # Every 10 s of a status each second, less what the rounding up to the next one and the news in
    # the example's figures do: the landing energy moves by 5 Wh now and then.
    assert 320 <= statuses / HOURS <= 420
    assert bytes_an_hour <= 300_000
    # The uplink's own count, by which it keeps its budget, against the link's.
    assert counted == pytest.approx(link_bytes, rel=0.03)


def test_the_budget_is_kept_when_everything_changes(tmp_path: Path) -> None:
    """News every second would cost five times the 300 kB; the bucket may be emptied once."""
    _, statuses, link_bytes = measured(tmp_path, "news")
    assert link_bytes <= 300_000 * (HOURS + 1 / 6) * 1.05
    assert statuses / HOURS > 120  # one in 30 s goes whatever it costs


def an_hour(lab: Lab, broker: Mosquitto, keys: Path, *words: str) -> tuple[int, int, int]:
    """Run the daemon through it and read both counters."""
    lab.link(delay_s=0.02)
    script = str(Path(__file__).with_name("hour_daemon.py"))
    address = f"mqtts://{lab.shore}:{broker.port}"
    daemon = subprocess.Popen(
        [*lab.within, sys.executable, script, address, str(keys), str(SCALE), str(HOURS), *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert daemon.stdout is not None
    statuses, _, counted = map(int, daemon.stdout.readline().split())
    link_bytes = lab.bytes()
    daemon.communicate("")
    return counted, statuses, link_bytes
