"""A network namespace for the aircraft and a bad link to it, at the level of IP packets.

The link is either the kernel's own ``tc netem`` on a veth pair or, as many small kernels are
built without netem, a pair of TUN devices between which :mod:`badlink` forwards packets with
delay and loss. The kernel's TCP sees the same of both. The shore is the namespace of the test.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import struct
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

TUNSETIFF, IFF_TUN, IFF_NO_PI = 0x400454CA, 0x0001, 0x1000  # linux/if_tun.h
KINDS = ("tun", "netem")


def run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, check=True, capture_output=True, text=True)


def missing(kind: str) -> str:
    """Why a kind of link cannot be made here; '' when it can."""
    if os.geteuid() != 0:
        return "network namespaces need root"
    if shutil.which("ip") is None or shutil.which("tc") is None:
        return "iproute2 (ip, tc) is not installed"
    probe = f"hlp{os.getpid()}"
    try:
        run("ip", "netns", "add", probe)
    except subprocess.CalledProcessError as error:
        return f"no network namespaces here: {error.stderr.strip()}"
    try:
        if kind == "netem":
            enter = ("ip", "netns", "exec", probe)
            run(*enter, "tc", "qdisc", "add", "dev", "lo", "root", "netem", "delay", "1ms")
        elif not os.access("/dev/net/tun", os.W_OK):
            return "no /dev/net/tun here"
    except subprocess.CalledProcessError as error:
        return f"this kernel has no netem: {error.stderr.strip()}"
    finally:
        run("ip", "netns", "del", probe)
    return ""


@dataclass
class Lab:
    """Use as a context manager. Delay and loss count in each direction."""

    kind: str = "tun"
    number: int = field(default_factory=lambda: os.getpid() % 250 + 1)
    _forwarder: subprocess.Popen[str] | None = None
    _tuns: list[int] = field(default_factory=list)
    _addresses: int = 0

    @property
    def name(self) -> str:
        return f"hl{self.number}"

    @property
    def shore(self) -> str:
        """Address of the shore's end."""
        return f"10.97.{self.number}.1"

    @property
    def within(self) -> tuple[str, ...]:
        """Put before a command to run it aboard."""
        return ("ip", "netns", "exec", self.name)

    def __enter__(self) -> Lab:
        reason = missing(self.kind)
        if reason:
            pytest.skip(reason)
        self._take_a_number()
        self.files().mkdir(parents=True, exist_ok=True)
        try:
            (self._make_tun if self.kind == "tun" else self._make_veth)()
            self.aboard("ip", "link", "set", "lo", "up")
            run("ip", "addr", "add", f"{self.shore}/24", "dev", f"{self.name}s")
            run("ip", "link", "set", f"{self.name}s", "up")
            self.new_address()
        except BaseException:
            self.__exit__()
            raise
        return self

    def _take_a_number(self) -> None:
        """Make the namespace, under a number that no other run or leftover has."""
        for _ in range(250):
            made = subprocess.run(["ip", "netns", "add", self.name], capture_output=True)
            if made.returncode == 0:
                return
            self.number = self.number % 250 + 1
        pytest.fail(f"no network namespace can be made: {made.stderr.decode()}")

    def __exit__(self, *_: object) -> None:
        if self._forwarder is not None:
            assert self._forwarder.stdin is not None
            self._forwarder.stdin.close()
            self._forwarder.wait(5)
        for number in self._tuns:
            os.close(number)
        subprocess.run(["ip", "netns", "del", self.name], capture_output=True)
        subprocess.run(["ip", "link", "del", f"{self.name}s"], capture_output=True)
        shutil.rmtree(self.files(), ignore_errors=True)

    def files(self) -> Path:
        """What `ip netns exec` mounts over /etc."""
        return Path("/etc/netns") / self.name

    def aboard(self, *command: str) -> subprocess.CompletedProcess[str]:
        """Run a command in the aircraft's namespace."""
        return run(*self.within, *command)

    def new_address(self) -> None:
        """As a modem that was given another address by another cell."""
        self._addresses += 1
        self.aboard("ip", "addr", "flush", "dev", f"{self.name}a")
        address = f"10.97.{self.number}.{9 + self._addresses}/24"
        self.aboard("ip", "addr", "add", address, "dev", f"{self.name}a")
        self.aboard("ip", "link", "set", f"{self.name}a", "up")

    def link(self, *, delay_s: float = 0.0, loss: float = 0.0) -> None:
        """Change the link; loss 1.0 is an outage without a word."""
        if self._forwarder is not None:
            self._tell({"delay_s": delay_s, "loss": loss})
            return
        how = ["netem", "delay", f"{delay_s * 1000:.0f}ms", "loss", f"{loss * 100:.1f}%"]
        run("tc", "qdisc", "replace", "dev", f"{self.name}s", "root", *how)
        self.aboard("tc", "qdisc", "replace", "dev", f"{self.name}a", "root", *how)

    def down(self) -> None:
        """The link is gone; nobody is told."""
        self.link(loss=1.0)

    def bytes(self) -> int:
        """IP bytes both ways as the link saw them, lost ones too."""
        if self._forwarder is not None:
            return int(self._tell({})["bytes"])
        counts = Path(f"/sys/class/net/{self.name}s/statistics")
        return sum(int((counts / name).read_text()) for name in ("rx_bytes", "tx_bytes"))

    def lost(self) -> float | None:
        """Part of the packets that was lost so far; None when the kernel does it."""
        if self._forwarder is None:
            return None
        count = self._tell({})
        return count["lost"] / max(count["packets"], 1)

    def _make_veth(self) -> None:
        ends = (f"{self.name}s", "type", "veth", "peer", "name", f"{self.name}a")
        run("ip", "link", "add", *ends)
        run("ip", "link", "set", f"{self.name}a", "netns", self.name)

    def _make_tun(self) -> None:
        for end in "sa":
            handle = os.open("/dev/net/tun", os.O_RDWR)
            self._tuns.append(handle)
            request = struct.pack("16sH22x", f"{self.name}{end}".encode(), IFF_TUN | IFF_NO_PI)
            fcntl.ioctl(handle, TUNSETIFF, request)
        run("ip", "link", "set", f"{self.name}a", "netns", self.name)
        script = str(Path(__file__).with_name("badlink.py"))
        self._forwarder = subprocess.Popen(
            [sys.executable, script, *map(str, self._tuns)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            pass_fds=self._tuns,
        )

    def _tell(self, order: dict[str, float]) -> dict[str, float]:
        assert self._forwarder is not None
        assert self._forwarder.stdin is not None
        assert self._forwarder.stdout is not None
        print(json.dumps(order), file=self._forwarder.stdin, flush=True)
        answer: dict[str, float] = json.loads(self._forwarder.stdout.readline())
        return answer
