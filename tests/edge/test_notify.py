"""Words to the service manager, and when "alive" may be said. Words: sd_notify(3)."""

from __future__ import annotations

import os
import socket
from pathlib import Path

from patience import PATIENCE_S

from supervisor.edge.notify import OVERDUE_S, Notifier, Watch

NS = 1_000_000_000


def manager(address: str) -> socket.socket:
    sock = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    sock.bind(address)
    sock.settimeout(PATIENCE_S)
    return sock


def test_the_three_words(tmp_path: Path) -> None:
    with manager(str(tmp_path / "n")) as sock:
        notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "n"), "WATCHDOG_USEC": "30000000"})
        notifier.ready("listening")
        notifier.alive("Fine")
        notifier.stopping()
        assert sock.recv(100) == b"READY=1\nSTATUS=listening"
        assert sock.recv(100) == b"WATCHDOG=1\nSTATUS=Fine"
        assert sock.recv(100) == b"STOPPING=1"
        assert notifier.watchdog_s == 30.0


def test_an_at_sign_is_the_abstract_namespace() -> None:
    with manager(f"\0homeleg-{os.getpid()}") as sock:
        Notifier({"NOTIFY_SOCKET": f"@homeleg-{os.getpid()}"}).alive()
        assert sock.recv(100) == b"WATCHDOG=1"


def test_without_a_manager_or_with_a_dead_one_nothing_happens(tmp_path: Path) -> None:
    Notifier({}).ready("x")
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).alive()
    assert not Notifier({}).heard


def test_another_process_s_watchdog_is_not_ours() -> None:
    assert Notifier({"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"}).watchdog_s == 0.0
    assert Notifier({"WATCHDOG_USEC": "junk"}).watchdog_s == 0.0


def test_before_the_first_frame_waiting_is_progress() -> None:
    assert Watch().progress(100 * NS, None)


def test_a_core_that_does_not_look_when_it_wanted_to_is_not_alive() -> None:
    watch = Watch()
    due_ns = 10 * NS
    assert watch.progress(9 * NS, due_ns)
    late_ns = due_ns + int(OVERDUE_S * NS)
    assert not watch.progress(late_ns, due_ns)
    watch.concluded()
    assert watch.progress(late_ns + NS, due_ns)  # it looked since
    assert not watch.progress(late_ns + 2 * NS, due_ns)  # and not again
