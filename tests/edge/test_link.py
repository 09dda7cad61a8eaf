"""Links over real sockets and a pseudo-terminal."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import socket
from collections.abc import Callable

import pytest
from brokers import free_port
from patience import PATIENCE_S

from supervisor.edge.clock import FakeClock, ReceiptClock
from supervisor.edge.link import make_link
from supervisor.edge.serial_link import SerialLink
from supervisor.edge.tcp_link import TcpServer
from supervisor.edge.udp_link import UdpLink
from supervisor.errors import LinkError


class Ear:
    """Collects what arrives, with its times; calls it good when told to."""

    def __init__(self, good: bool = True) -> None:
        self.good = good
        self.times: list[int] = []
        self.data: list[bytes] = []

    def __call__(self, t_ns: int, data: bytes) -> bool:
        self.times.append(t_ns)
        self.data.append(data)
        return self.good

    @property
    def all(self) -> bytes:
        return b"".join(self.data)


async def until(true: Callable[[], bool], seconds: float = PATIENCE_S) -> None:
    async with asyncio.timeout(seconds):
        while not true():
            await asyncio.sleep(0.005)


@pytest.mark.parametrize(
    ("address", "says"),
    [
        ("", "no link address"),
        ("garbage", "no link address"),
        ("http:localhost:80", "no link address"),
        ("udp:14550", "no link address"),
        ("udp:0.0.0.0:abc", "'abc' is not a number"),
        ("udp:0.0.0.0:²", "is not a number"),
        ("tcp:127.0.0.1:70000", "too high"),
        ("serial:/dev/ttyX:fast", "baud rate 'fast'"),
        ("serial:/dev/ttyX:57601", "57601 is not known"),
    ],
)
def test_address_that_makes_no_sense(address: str, says: str) -> None:
    with pytest.raises(LinkError, match=says):
        make_link(address, Ear(), FakeClock())


async def test_udp_listens_and_answers_the_sender_of_a_good_frame() -> None:
    ear = Ear(good=False)
    link = make_link("udp:127.0.0.1:0", ear, FakeClock(123))
    assert isinstance(link, UdpLink)
    await link.open()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as far:
        far.bind(("127.0.0.1", 0))
        far.settimeout(PATIENCE_S)
        far.sendto(b"noise", ("127.0.0.1", link.port))
        await until(lambda: ear.all == b"noise")
        assert not link.up
        link.send(b"to nobody")
        ear.good = True
        far.sendto(b"frame", ("127.0.0.1", link.port))
        await until(lambda: link.up)
        link.send(b"answer")
        assert far.recv(100) == b"answer"
    assert ear.times == [123, 123]
    await link.close()


async def test_udp_burst_arrives_whole_and_in_order() -> None:
    ear = Ear()
    link = make_link("udp:127.0.0.1:0", ear, ReceiptClock())
    assert isinstance(link, UdpLink)
    await link.open()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as far:
        sent = [b"%04d" % number for number in range(300)]
        for datagram in sent:
            far.sendto(datagram, ("127.0.0.1", link.port))
        await until(lambda: len(ear.data) == len(sent))
    assert ear.data == sent
    assert ear.times == sorted(ear.times)
    await link.close()


async def test_udp_out_speaks_first_and_survives_a_dead_peer() -> None:
    ear = Ear()
    port = free_port()
    link = make_link(f"udp-out:127.0.0.1:{port}", ear, FakeClock())
    await link.open()
    for _ in range(3):
        link.send(b"anyone?")
        await asyncio.sleep(0.01)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as far:
        far.bind(("127.0.0.1", port))
        far.settimeout(PATIENCE_S)
        link.send(b"hello")
        data, sender = far.recvfrom(100)
        assert data == b"hello"
        far.sendto(b"hello back", sender)
        await until(lambda: ear.all == b"hello back")
    await link.close()


@pytest.mark.parametrize("scheme", ["udp", "tcp-listen"])
async def test_busy_port_is_said(scheme: str) -> None:
    kind = socket.SOCK_DGRAM if scheme == "udp" else socket.SOCK_STREAM
    with socket.socket(socket.AF_INET, kind) as other:
        other.bind(("127.0.0.1", 0))
        if kind == socket.SOCK_STREAM:
            other.listen()
        port = other.getsockname()[1]
        link = make_link(f"{scheme}:127.0.0.1:{port}", Ear(), FakeClock())
        with pytest.raises(LinkError, match=r"cannot listen.*in use"):
            await link.open()


async def test_host_that_is_none() -> None:
    link = make_link("udp:no.such.host.invalid:14550", Ear(), FakeClock())
    with pytest.raises(LinkError, match="cannot be found"):
        await link.open()


async def test_tcp_client_connects_again() -> None:
    ear, port = Ear(), free_port()
    link = make_link(f"tcp:127.0.0.1:{port}", ear, FakeClock())
    await link.open()  # nobody there yet: no error
    await asyncio.sleep(0.05)
    assert not link.up
    for greeting in (b"first", b"second"):
        far = make_link(f"tcp-listen:127.0.0.1:{port}", Ear(), FakeClock())
        await far.open()
        await until(lambda: link.up and far.up)  # noqa: B023
        far.send(greeting)
        await until(lambda: ear.all.endswith(greeting))  # noqa: B023
        await far.close()
        await until(lambda: not link.up)
    await link.close()


async def test_tcp_server_takes_the_newest_connection() -> None:
    ear = Ear()
    link = make_link("tcp-listen:127.0.0.1:0", ear, FakeClock())
    assert isinstance(link, TcpServer)
    await link.open()
    link.send(b"to nobody")
    old_reader, _ = await asyncio.open_connection("127.0.0.1", link.port)
    await until(lambda: link.up)
    reader, writer = await asyncio.open_connection("127.0.0.1", link.port)
    with contextlib.suppress(ConnectionResetError):  # an orderly end is as good
        assert await old_reader.read() == b""
    writer.write(b"up")
    await until(lambda: ear.all == b"up")
    link.send(b"down")
    assert await reader.readexactly(4) == b"down"
    writer.close()
    await until(lambda: not link.up)
    await link.close()


async def test_serial_over_a_pseudo_terminal() -> None:
    ear = Ear()
    near, far = pty.openpty()
    link = make_link(f"serial:{os.ttyname(far)}:57600", ear, FakeClock(5))
    assert isinstance(link, SerialLink)
    await link.open()
    everything = bytes(range(256))  # raw: no byte is translated, echoed or taken for a signal
    os.write(near, everything)
    await until(lambda: len(ear.all) == 256)
    assert ear.all == everything
    link.send(everything)
    got = b""
    while len(got) < 256:
        got += os.read(near, 256)
    assert got == everything
    assert set(ear.times) == {5}
    await link.close()
    assert not link.up
    os.close(near)
    os.close(far)


async def test_serial_comes_back(tmp_path: os.PathLike[str]) -> None:
    ear = Ear()
    device = os.path.join(tmp_path, "tty")
    near, far = pty.openpty()
    os.symlink(os.ttyname(far), device)
    link = make_link(f"serial:{device}:115200", ear, FakeClock())
    await link.open()
    os.close(far)
    os.close(near)  # unplugged
    await until(lambda: not link.up)
    near, far = pty.openpty()
    os.unlink(device)
    os.symlink(os.ttyname(far), device)
    await until(lambda: link.up)
    os.write(near, b"again")
    await until(lambda: ear.all == b"again")
    await link.close()


@pytest.mark.parametrize(
    ("device", "says"), [("/dev/no-such-port", "No such file"), ("/dev/null", "no serial port")]
)
async def test_device_that_is_none(device: str, says: str) -> None:
    link = make_link(f"serial:{device}:57600", Ear(), FakeClock())
    with pytest.raises(LinkError, match=says):
        await link.open()
