"""Delivery under faults: our bridge, plain aiomqtt publishing, mosquitto's bridge alone.

Run as root: ``python tests/bench/bench_bridge.py [FAULT ...]`` prints the rows as JSON, one a
fault and sender: raised, delivered, doubles and reorderings on the wire (``user_*``: after the
watcher dropped doubles), seconds from the fault's end until advisories came as promptly as on a
good link (null: some had not come within the limit). All three go through the same bad link in
turn; see tests/system/lab.py.

*mosquitto's bridge alone* is a mosquitto aboard with the deployed settings, fed on loopback by
plain aiomqtt; for the killed sender the sender is killed, for the power cut the broker aboard too.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "system"))

from brokers import DEPLOY, Mosquitto, free_port
from lab import Lab
from reader import Reader

HERE = Path(__file__).resolve()
SENDERS = ("ours", "plain aiomqtt", "mosquitto bridge")
COUNT, PAUSE_S = 60, 0.25
LIMIT_S = 60.0  # after the fault's end
LATE_S = 1.0


@dataclass
class Run:
    """One sender under one fault."""

    lab: Lab
    shore: Mosquitto
    folder: Path
    which: str
    aboard: Mosquitto | None = None
    process: subprocess.Popen[str] | None = None
    raised: int = 0
    raised_s: dict[int, float] = field(default_factory=dict)
    lives: list[subprocess.Popen[str]] = field(default_factory=list)

    def start(self) -> None:
        host, port = self.lab.shore, self.shore.port
        if self.which == "mosquitto bridge":
            if self.aboard is None:
                self.aboard = _aboard(self.lab, self.shore, self.folder)
            self.aboard.start()
            host, port = "127.0.0.1", self.aboard.port
        script = str(HERE.with_name("senders.py"))
        kind = "ours" if self.which == "ours" else "plain"
        words = [kind, host, str(port), str(self.folder / "outbox"), str(COUNT), str(PAUSE_S)]
        self.process = subprocess.Popen(
            [*self.lab.within, sys.executable, script, *words], stdout=subprocess.PIPE, text=True
        )
        self.lives.append(self.process)
        asyncio.get_running_loop().run_in_executor(None, self._hear, self.process)

    def _hear(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        for line in process.stdout:
            self.raised = max(self.raised, int(line))
            self.raised_s.setdefault(int(line), time.monotonic())

    def kill(self, *, power: bool = False) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
        if power and self.aboard is not None:
            self.aboard.kill()

    def end(self) -> None:
        self.kill(power=True)
        subprocess.run(["ip", "netns", "pids", self.lab.name], capture_output=True)


def _aboard(lab: Lab, shore: Mosquitto, folder: Path) -> Mosquitto:
    """deploy/mosquitto/aboard.conf without TLS, in the aircraft's namespace."""
    port = free_port()
    text = (DEPLOY / "aboard.conf").read_text(encoding="utf-8")
    lines = [
        line
        for line in text.replace("shore.example:8883", f"{lab.shore}:{shore.port}").splitlines()
        if not line.startswith(("bridge_cafile", "bridge_cert", "bridge_key", "bridge_tls",
                                "bridge_insecure"))
    ]  # fmt: skip
    config = "\n".join(lines).replace("listener 1883", f"listener {port}")
    config = config.replace("/var/lib/mosquitto/", f"{folder}/aboard/")
    config = config.replace("SALTMERE-1", "saltmere-1") + "\nuser root\nlog_type information\n"
    return Mosquitto(folder / "aboard", config, port, within=lab.within)


# --- faults: each returns when it is over ---------------------------------------------------------


async def healthy(_run: Run) -> None:
    await asyncio.sleep(4.0)


async def bad_all_along(_run: Run) -> None:
    await asyncio.sleep(16.0)


async def outage(run: Run, seconds: float = 30.0) -> None:
    await asyncio.sleep(3.0)
    run.lab.down()
    await asyncio.sleep(seconds)
    run.lab.link(delay_s=0.05)


async def new_address(run: Run) -> None:
    await asyncio.sleep(3.0)
    run.lab.new_address()


async def broker_killed(run: Run) -> None:
    await asyncio.sleep(3.0)
    run.shore.kill()
    await asyncio.sleep(5.0)
    run.shore.start()


async def sender_killed_in_outage(run: Run, *, power: bool = False) -> None:
    await asyncio.sleep(3.0)
    run.lab.down()
    await asyncio.sleep(4.0)
    run.kill(power=power)
    await asyncio.sleep(0.5)
    run.start()
    await asyncio.sleep(4.0)
    run.lab.link(delay_s=0.05)


async def power_cut_in_outage(run: Run) -> None:
    await sender_killed_in_outage(run, power=True)


FAULTS: dict[str, Callable[[Run], Awaitable[None]]] = {
    "healthy": healthy,
    "200 ms, 5 % lost": bad_all_along,
    "2 s latency": bad_all_along,
    "30 % lost": bad_all_along,
    "outage of 30 s": outage,
    "change of address": new_address,
    "shore broker killed, 5 s": broker_killed,
    "sender killed in an outage": sender_killed_in_outage,
    "power cut in an outage": power_cut_in_outage,
}


# The link from before the sender starts, so that each must also connect over it.
USUAL = (0.05, 0.0)
LINKS = {"200 ms, 5 % lost": (0.2, 0.05), "2 s latency": (2.0, 0.0), "30 % lost": (0.05, 0.3)}


async def row(fault: str, which: str) -> dict[str, Any]:
    """One sender through one fault."""
    with tempfile.TemporaryDirectory() as place, Lab() as lab:
        folder = Path(place)
        port = free_port()
        lines = f"listener {port} 127.0.0.1\nlistener {port} {lab.shore}\nallow_anonymous true\n"
        lines += f"user root\npersistence true\npersistence_location {folder}/shore/\n"
        lines += "autosave_on_changes true\nautosave_interval 1\nmax_queued_messages 10000\n"
        lines += "set_tcp_nodelay true\nmax_inflight_messages 100\n"
        shore = Mosquitto(folder / "shore", lines, port).start()
        run = Run(lab, shore, folder, which)
        try:
            async with Reader(port) as reader:
                delay_s, loss = LINKS.get(fault, USUAL)
                lab.link(delay_s=delay_s, loss=loss)
                run.start()
                await FAULTS[fault](run)
                over_s = time.monotonic()
                await _all(reader)
                return _figures(fault, run, reader, over_s)
        finally:
            run.end()
            shore.stop()


async def _all(reader: Reader) -> None:
    """Wait until everything has arrived, or the limit."""
    with suppress(TimeoutError):
        async with asyncio.timeout(LIMIT_S):
            while len(reader.shown) < COUNT:
                await asyncio.sleep(0.05)
    await asyncio.sleep(0.5)  # late doubles


def _figures(fault: str, run: Run, reader: Reader, over_s: float) -> dict[str, Any]:
    delay_s, _ = LINKS.get(fault, USUAL)
    wire = [seq for _, seq in reader.raw]
    shown = reader.seqs()
    whole = set(shown) >= set(range(1, run.raised + 1))
    return {
        "fault": fault,
        "sender": run.which,
        "raised": run.raised,
        "delivered": len(set(shown)),
        "doubles_on_wire": len(wire) - len(set(wire)),
        "reordered_on_wire": _backward(wire),
        "user_reordered": _backward(shown),
        "caught_up_s": round(_caught_up(run, reader, over_s, delay_s), 1) if whole else None,
    }


def _backward(numbers: list[int]) -> int:
    """How many came after a higher one (a double is no reordering)."""
    seen: set[int] = set()
    highest = count = 0
    for number in numbers:
        count += number < highest and number not in seen
        seen.add(number)
        highest = max(highest, number)
    return count


def _caught_up(run: Run, reader: Reader, over_s: float, usual_s: float) -> float:
    """Seconds from the fault's end until advisories came as soon after being raised as usual.

    Usual is what the link itself takes one way, and LATE_S more.
    """
    late = [
        at
        for seq, at in zip(reader.seqs(), reader.at_s, strict=True)
        if at > over_s and at - run.raised_s.get(seq, at) > usual_s + LATE_S
    ]
    return max((late[-1] if late else over_s) - over_s, 0.0)


def main() -> None:
    """Command line."""
    chosen = sys.argv[1:] or list(FAULTS)
    rows = []
    for fault in chosen:
        for which in SENDERS:
            found = asyncio.run(row(fault, which))
            print(json.dumps(found), file=sys.stderr, flush=True)
            rows.append(found)
    print(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
