"""The demo: simulator, daemon, broker and pilot, each where it would be in life.

The daemon is a process of its own on a UDP link, the broker another, the pilot a subscriber. Only
time is not real: the simulator runs many times faster, the daemon's clock follows the telemetry,
and the simulator waits whenever it would get ahead of what the daemon has published. So one seed
gives one demo, on a fast machine and on a slow one.
"""

from __future__ import annotations

import asyncio
import json
import signal
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt

from sim import scenario as scenarios
from sim.demo_screen import Screen
from sim.endpoint import Endpoint, Leash, Pace
from sim.flight import Flight as SimulatedFlight
from sim.ports import UdpPort
from sim.state import AircraftState
from sim.state import Phase as TruePhase
from sim.telemetry import Telemetry
from supervisor import messages
from supervisor.core.plan import Flight
from supervisor.edge.dial import BrokerAddress
from supervisor.errors import InputError
from supervisor.flightfile import load_flight

REACTION_S = 30.0  # the demo's pilot reads, thinks and presses: flight time, not yours
LEASH_S = 15.0  # simulated time never runs further than this beyond the last status
START_WITHIN_S = 20.0


@dataclass(frozen=True, slots=True)
class Demo:
    """What to show. ``broker`` empty: an embedded one."""

    scenario: str
    seed: int
    rate: float
    broker: str
    out: Path


@dataclass(slots=True)
class Story:
    """What the pilot at the laptop has seen."""

    advisories: list[str] = field(default_factory=list)
    levels: dict[str, str] = field(default_factory=dict)  # of each condition, as last said
    turn_back_s: float | None = None
    online: asyncio.Event = field(default_factory=asyncio.Event)


async def show(demo: Demo, screen: Screen) -> int:
    """Run it; exit status 0 when the aircraft landed with its reserve, else 1."""
    task = asyncio.current_task()
    assert task is not None
    # Told to stop, it takes its daemon and its broker with it.
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, task.cancel)
    truth = scenarios.load(demo.scenario)
    flight_file = truth.flight_path
    flight = load_flight(flight_file)
    _prepare(demo.out)
    async with _broker(demo.broker) as broker:
        udp_port = _free_udp_port()
        screen.begin(flight, demo.seed, demo.rate, broker, udp_port, demo.out)
        story = Story()
        leash = Leash(LEASH_S, patience_s=START_WITHIN_S)
        leash.seen(0.0)  # nothing is published before there is telemetry to speak of
        endpoint = Endpoint(
            SimulatedFlight(truth, demo.seed),
            Telemetry(truth, demo.seed),
            [UdpPort("127.0.0.1", udp_port)],
            Pace(demo.rate, leash),
            wait_s=START_WITHIN_S,
        )
        pilot = asyncio.create_task(_pilot(broker, flight, story, leash, endpoint, screen))
        try:
            async with _daemon(flight_file, udp_port, broker, demo) as daemon:
                await _first_of(story.online.wait(), daemon.wait(), pilot)
                state = await _first_of(endpoint.run(), daemon.wait(), pilot)
        finally:
            pilot.cancel()
            await asyncio.gather(pilot, return_exceptions=True)
    assert isinstance(state, AircraftState)
    summary = _summary(demo, flight, state, story)
    _write(demo.out, story, summary)
    screen.end(flight, state, summary)
    return 0 if summary["exit_reason"] == "landed with the final reserve" else 1


async def _pilot(
    broker: str, flight: Flight, story: Story, leash: Leash, endpoint: Endpoint, screen: Screen
) -> None:
    """Reads what arrives from the broker, and nothing else; acknowledges what is said again; turns
    back when advised to."""
    address = BrokerAddress.parse(broker)
    base = messages.topic(flight.aircraft.aircraft_id, "")
    async with aiomqtt.Client(address.host, address.port) as client:
        await client.subscribe(f"{base}#", qos=1)
        async for message in client.messages:
            leaf = str(message.topic).removeprefix(base)
            payload = message.payload
            if message.retain or not isinstance(payload, bytes):
                continue  # left over from an earlier demo on the same broker
            if leaf == "presence":
                story.online.set()
            elif leaf == "status":
                status = messages.Status.model_validate_json(payload)
                screen.status(status)
                leash.seen(status.t)
            elif leaf == "advisory":
                advisory = messages.Advisory.model_validate_json(payload)
                story.advisories.append(payload.decode())
                screen.advisory(advisory)
                if advisory.condition == "turn-back-now" and advisory.level == "warning":
                    _react(advisory, story, endpoint, screen)
                if _noted(advisory, story):
                    ack = _acknowledgement(advisory)
                    await client.publish(messages.topic(ack.aircraft, "ack"), ack.payload(), qos=1)


def _react(advisory: messages.Advisory, story: Story, endpoint: Endpoint, screen: Screen) -> None:
    if story.turn_back_s is None:
        story.turn_back_s = advisory.t + REACTION_S
        endpoint.turn_back_at(story.turn_back_s)
        screen.pilot_turns(story.turn_back_s)


def _noted(advisory: messages.Advisory, story: Story) -> bool:
    """Remembers it; whether it is to be acknowledged: said before and not answered, or the turn."""
    again = story.levels.get(advisory.condition) == advisory.level
    story.levels[advisory.condition] = advisory.level
    at_once = advisory.condition == "turn-back-now"
    return advisory.level in ("caution", "warning") and (at_once or again)


def _acknowledgement(advisory: messages.Advisory) -> messages.Ack:
    return messages.Ack(
        aircraft=advisory.aircraft,
        flight=advisory.flight,
        seq=advisory.seq,
        by="demo pilot",
        utc=advisory.utc or "",
    )


async def _first_of(*work: object) -> object:
    """The result of the first awaitable; if another ends before it, that is a failure."""
    tasks = [asyncio.ensure_future(w) for w in work]  # type: ignore[call-overload]
    done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    if tasks[0] in done:
        return tasks[0].result()
    tasks[0].cancel()
    for task in done:
        task.result()  # raises what went wrong, if anything did
    raise RuntimeError("the daemon or the broker connection ended before the flight did")


# --- the other processes ------------------------------------------------------------------------


@asynccontextmanager
async def _broker(given: str) -> AsyncIterator[str]:
    """The address of a broker that is there: the given one, or an embedded one of our own."""
    if given:
        yield str(BrokerAddress.parse(given))
        return
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "supervisor.edge.embedded",
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
    )  # fmt: skip
    assert process.stdout
    try:
        line = (await asyncio.wait_for(process.stdout.readline(), START_WITHIN_S)).decode()
        if not line.startswith("port "):
            raise InputError(
                "embedded broker",
                "did not start",
                allowed="install with the demo extra, or --broker",
            )
        yield f"mqtt://127.0.0.1:{int(line.split()[1])}"
    finally:
        await _end(process)


@asynccontextmanager
async def _daemon(
    flight_file: Path, udp_port: int, broker: str, demo: Demo
) -> AsyncIterator[asyncio.subprocess.Process]:
    """``homeleg run`` as anybody would start it, but for its clock."""
    config = demo.out / "daemon.toml"
    config.write_text(
        f'clock = "telemetry"\nlog = "json"\n'
        f'[link]\naddress = "udp:127.0.0.1:{udp_port}"\ndownload_plan = true\n'
        f'[broker]\naddress = "{broker}"\n'
        # Nothing learned: one seed gives one flight, however often it was flown into this folder.
        f"[storage]\ndirectory = {json.dumps(str(demo.out / 'aboard'))}\nlearn = false\n"
        f"[forecast]\nseed = {demo.seed}\n",
        encoding="utf-8",
    )
    with (demo.out / "daemon.log").open("wb") as log:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "supervisor", "run", "--flight", str(flight_file),
            "--config", str(config), "--recording", str(demo.out / "flight.mcap"),
            stdin=asyncio.subprocess.DEVNULL, stdout=log, stderr=log,
        )  # fmt: skip
        try:
            yield process
        finally:
            await _end(process)


async def _end(process: asyncio.subprocess.Process) -> None:
    if process.returncode is None:
        process.terminate()
        try:
            await asyncio.wait_for(process.wait(), 10.0)
        except TimeoutError:
            process.kill()
            await process.wait()


def _free_udp_port() -> int:
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


# --- what it leaves behind ------------------------------------------------------------------------


def _prepare(out: Path) -> None:
    """A folder of our own, with the last demo's files out of the way."""
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name in ("flight.mcap", "advisories.jsonl", "summary.json", "daemon.log"):
            (out / name).unlink(missing_ok=True)
        for left in (out / "aboard").glob("outbox.sqlite*"):
            left.unlink()
    except OSError as error:
        raise InputError(str(out), f"cannot be written: {error.strerror}") from None


def _summary(
    demo: Demo, flight: Flight, state: AircraftState, story: Story
) -> dict[str, str | float | int | None]:
    kept = state.energy_left_wh >= flight.policy.final_reserve_wh
    if state.phase is TruePhase.LOST:
        reason = "lost"
    else:
        reason = "landed with the final reserve" if kept else "landed below the final reserve"
    return {
        "scenario": demo.scenario,
        "seed": demo.seed,
        "landing_energy_wh": round(state.energy_left_wh, 1),
        "final_reserve_wh": round(flight.policy.final_reserve_wh, 1),
        "turn_back_s": story.turn_back_s,
        "flight_s": round(state.t_s, 1),
        "advisories": len(story.advisories),
        "exit_reason": reason,
    }


def _write(out: Path, story: Story, summary: dict[str, str | float | int | None]) -> None:
    text = "".join(line + "\n" for line in story.advisories)
    (out / "advisories.jsonl").write_text(text, encoding="utf-8")
    (out / "summary.json").write_text(json.dumps(summary, indent=2) + "\n", encoding="utf-8")
