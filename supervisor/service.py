"""The daemon: the line wired to a link, a recorder and a broker. The only place that does.

Everything happens in one thread, in the callback that received the bytes: record, decode, look,
say. So what is recorded is what was concluded from, in the same order, and a replay agrees.
"""

from __future__ import annotations

import asyncio
import math
import secrets
import signal
from collections.abc import Callable, Coroutine
from contextlib import suppress

import structlog

from supervisor import __version__, assembly, messages
from supervisor.assembly import Setup
from supervisor.budget.compute import planned_ledger_wh
from supervisor.chronicle import Chronicle
from supervisor.core.conclusions import ReturnAsked, Text
from supervisor.core.plan import Flight
from supervisor.doctor.hearing import Hearing
from supervisor.edge.clock import Clock, ReceiptClock, TelemetryClock, loop_s
from supervisor.edge.frame_signing import TICKS_PER_S, load_key, load_newest, save_newest
from supervisor.edge.frame_signing import Signer as FrameSigner
from supervisor.edge.frames import Frame
from supervisor.edge.health import give_back, settle
from supervisor.edge.intake import Intake, refuse_unchecked_crc
from supervisor.edge.link import Link, make_link
from supervisor.edge.metrics import MetricsPage, openmetrics
from supervisor.edge.modem import Modem
from supervisor.edge.notify import Notifier, Watch
from supervisor.edge.outgoing import Outgoing
from supervisor.edge.requests import Requests
from supervisor.edge.return_command import return_command
from supervisor.health import CHECK_S, HealthKeeper
from supervisor.lessons import LessonKeeper
from supervisor.line import Concluded, Line

STAMP_NOTE_TICKS = 30 * TICKS_PER_S  # well within the minute that the standard allows
ASK_PERIOD_S = 0.2  # how often unanswered questions to the autopilot are looked through
PAUSE_S = 1.0  # before a part that failed is begun again
AFTER_S = 0.1  # so long a published look has to reach the broker before reasons are worked out
DRAIN_S = 3.0  # how long a stopping daemon waits for the broker to take what is left

log = structlog.get_logger(__name__)


class Service:
    """One aircraft's daemon, from start to signal."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        daemon, flight = setup.daemon, setup.flight
        self.aircraft = flight.aircraft.aircraft_id
        self.clock: Clock = TelemetryClock() if daemon.clock == "telemetry" else ReceiptClock()
        self.outbox = assembly.open_outbox(daemon)
        self.flight_id = _flight_id(flight, self.outbox.boot)
        prior, self.prior_trouble = assembly.learned_prior(setup)
        self.line = Line(flight, self.flight_id, daemon.forecast, prior)
        self.lessons = LessonKeeper(
            daemon.storage.directory if daemon.storage.learn else None, flight
        )
        self._learned = [name for name in ("power", "pack") if getattr(prior, name) is not None]
        self.chronicle = Chronicle(self.aircraft, self.flight_id)
        key = load_key(daemon.link.signing_key) if daemon.link.signing_key else None
        self._stamp_file = daemon.storage.directory / "signature-newest"
        self._stamp = load_newest(self._stamp_file)
        self.intake = Intake(daemon.link.system_id, key, newest_signature=self._stamp)
        self._frame_signer = FrameSigner(key, heard=self.intake.verifier) if key else None
        self.link: Link = make_link(daemon.link.address, self._on_bytes, self.clock)
        self.recorder = assembly.open_recorder(setup, self.flight_id, prior)
        self.uplink = assembly.make_uplink(
            daemon,
            (self.aircraft, self.flight_id),
            self.outbox,
            on_ack=self._on_ack,
            on_wish=self._on_wish if flight.policy.return_request else None,
            telemetry_age_s=lambda: loop_s() - self.heard_s,
            unix_s=self.unix_s,
        )
        self._modem = Modem()
        self.requests: Requests | None = None
        self._outgoing: Outgoing | None = None
        self._tick_handle: asyncio.TimerHandle | None = None
        self._plan_judged = False
        self.plan_findings: tuple[str, ...] = ()
        self.heard_s = math.nan  # when telemetry was last heard
        self.fault = ""  # what the core failed of, last
        self.health = HealthKeeper(Hearing(asks=daemon.link.request_rates))
        self._troubles: list[str] = []
        self._notifier = Notifier()
        self._watch = Watch()
        self._metrics = MetricsPage(daemon.health.metrics_port, self._metrics_text)

    # -- life ------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Until SIGTERM or SIGINT; then what was raised is handed over or kept on disk."""
        stopped = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, stopped.set)
        settle()
        await self.link.open()
        log.info(
            "daemon_ready",
            aircraft=self.aircraft,
            flight=self.flight_id,
            version=__version__,
            link=self.setup.daemon.link.address,
            broker=self.setup.daemon.broker.address or "none",
            recording=str(self.recorder.path) if self.recorder else "none",
            learned=" and ".join(self._learned) or self.prior_trouble or "nothing yet",
        )
        if self.setup.daemon.health.metrics_port:
            await self._metrics.open()
        parts = [self._keep_asking, self._keep_well]
        if self.uplink:
            flight = self.setup.flight
            budget_wh = {name: round(wh, 1) for name, wh in planned_ledger_wh(flight).items()}
            self.uplink.submit_plan(self.line.publisher.plan(flight, budget_wh))
            parts.append(self.uplink.run)
        tasks = [asyncio.create_task(_for_ever(part)) for part in parts]
        self._notifier.ready(f"listening on {self.setup.daemon.link.address}")
        try:
            await stopped.wait()
        finally:
            await self._stop(tasks)

    async def _stop(self, tasks: list[asyncio.Task[None]]) -> None:
        self._notifier.stopping()
        if self._tick_handle:
            self._tick_handle.cancel()
        await self.link.close()
        await self._metrics.close()
        if self.uplink:
            delivered = await self.uplink.drained(DRAIN_S)
            log.info("daemon_stopping", all_delivered=delivered, waiting=len(self.outbox))
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        self.outbox.close()
        if self.recorder:
            self.recorder.close()

    # -- in --------------------------------------------------------------------------------------

    def _on_bytes(self, _t_ns: int, data: bytes) -> bool:
        frames = self.intake.feed(data)
        for frame in frames:
            self.clock.see(frame)
            self._on_frame(frame, self.clock.now_ns())
        if frames:
            self.heard_s = loop_s()
            self._arm()
        return bool(frames)

    def _on_frame(self, frame: Frame, t_ns: int) -> None:
        self._record("mavlink", t_ns, frame.raw)
        if self.requests is None and self.intake.system_id is not None:
            self._meet(self.intake.system_id)
        if self.requests:
            for answer in self.requests.handle(frame, loop_s()):
                self.link.send(answer)
        self.health.hearing.frame(frame, loop_s())
        if self.uplink and self._modem.hear(frame):
            self.uplink.poor_link(self._modem.poor)
        self._conclude(lambda: self.line.frame(frame, t_ns), t_ns)

    def _meet(self, system_id: int) -> None:
        """The aircraft is known: from now on we can ask it for things."""
        section = self.setup.daemon.link
        own = section.own_system_id or system_id
        self._outgoing = Outgoing(own, section.own_component_id, self._frame_signer)
        self.requests = Requests(
            self._outgoing, rates=section.request_rates, plan=section.download_plan
        )
        log.info("aircraft_found", system=system_id)

    def _on_ack(self, ack: messages.Ack) -> None:
        t_ns = self.clock.now_ns()
        self._record("ack", t_ns, ack.payload())
        log.info("advisory_acknowledged", seq=ack.seq, by=ack.by)
        self.chronicle.acknowledged(ack)
        self._conclude(lambda: self.line.acknowledge(ack.seq, ack.by, t_ns), t_ns)

    def _on_wish(self, said: messages.ReturnWish) -> None:
        t_ns = self.clock.now_ns()
        self._record("ack", t_ns, said.payload())
        log.warning("return_request_wish", wish=said.wish, by=said.by)
        self._conclude(lambda: self.line.wish(said.wish, said.by, t_ns), t_ns)

    async def _keep_asking(self) -> None:
        while True:
            if self.requests:
                for question in self.requests.due(loop_s()):
                    self.link.send(question)
                self._judge_plan(self.requests)
            self._keep_stamp()
            await asyncio.sleep(ASK_PERIOD_S)

    def _keep_stamp(self) -> None:
        """Note how new the newest signature was, so that a restart does not take old ones."""
        verifier = self.intake.verifier
        if verifier is not None and verifier.newest - self._stamp > STAMP_NOTE_TICKS:
            self._stamp = verifier.newest
            with suppress(OSError):  # the worst that can follow is to trust a recorded frame
                save_newest(self._stamp_file, self._stamp)

    def _judge_plan(self, requests: Requests) -> None:
        """Say whether the mission aboard is the one in the flight file; a surprise costs range."""
        if requests.plan is None or self._plan_judged:
            return
        self._plan_judged = True
        route = self.setup.flight.route
        aboard = {(round(i.lat_deg, 4), round(i.lon_deg, 4)) for i in requests.plan}
        missing = [
            w.name
            for w in route
            if (round(math.degrees(w.lat_rad), 4), round(math.degrees(w.lon_rad), 4)) not in aboard
        ]
        if missing:
            self.plan_findings = (f"plan: the mission aboard lacks {', '.join(missing[:5])}",)
            log.warning("plan_differs", not_in_mission=missing, items=len(requests.plan))
        else:
            log.info("plan_agrees", items=len(requests.plan))

    async def _keep_well(self) -> None:
        """Feed the watchdog while the core makes progress; tell of our health."""
        period_s = min(CHECK_S, self._notifier.watchdog_s / 4.0 or CHECK_S)
        while True:
            if self._watch.progress(self.clock.now_ns(), self.line.next_ns()):
                self._notifier.alive(self.health.sentence)
            report = self.health.report(self, loop_s())
            if report is not None:
                give_back()
                self._tell_troubles(report.troubles)
                if self.uplink:
                    self.uplink.submit_health(report)
            await asyncio.sleep(period_s)

    def _tell_troubles(self, troubles: list[str]) -> None:
        if troubles != self._troubles:
            self._troubles = troubles
            log.warning("troubles", troubles=troubles or "none any more")

    def _metrics_text(self) -> str:
        return openmetrics(self.health.message(self, loop_s()), self.aircraft)

    def unix_s(self) -> float:
        """The aircraft's own date now; NaN while its autopilot does not know it."""
        return self.line.unix_s(self.clock.now_ns())

    # -- time ------------------------------------------------------------------------------------

    def _arm(self) -> None:
        """One timer for the line's next deadline; each arrival re-arms it."""
        if self._tick_handle:
            self._tick_handle.cancel()
            self._tick_handle = None
        next_ns = self.line.next_ns()
        if next_ns is None or isinstance(self.clock, TelemetryClock):
            return  # telemetry time moves only with frames, and frames tick by themselves
        wait_s = max((next_ns - self.clock.now_ns()) * 1e-9, 0.0)
        self._tick_handle = asyncio.get_running_loop().call_later(wait_s, self._on_timer)

    def _on_timer(self) -> None:
        t_ns = self.clock.now_ns()
        self._conclude(lambda: self.line.tick(t_ns), t_ns)
        self._arm()

    def _conclude(self, step: Callable[[], list[Concluded]], t_ns: int) -> None:
        """One step of the core. A fault in the reckoning is said, and ends nothing."""
        began_s = loop_s()
        try:
            concluded = step()
        except Exception as error:
            fault = f"{type(error).__name__}: {error}"
            if fault != self.fault:
                log.exception("core_fault")
            self.fault = fault
            return
        for message in concluded:
            if isinstance(message, messages.Status):
                self.fault = ""
                self._watch.concluded()
                self.health.looked(message, loop_s() - began_s)
        self._say(concluded, t_ns)
        for message in concluded:
            if isinstance(message, messages.Status):
                self._learn(message.phase, t_ns)
                asyncio.get_running_loop().call_later(AFTER_S, self._reflect)

    def _reflect(self) -> None:
        """Work out, now that nobody waits, what the last look left for later."""
        t_ns = self.clock.now_ns()

        def step() -> list[Concluded]:
            self.line.reflect()
            return []

        self._conclude(step, t_ns)

    def _learn(self, phase: str, t_ns: int) -> None:
        """After a landing: keep what the flight taught. A fault in that costs the lessons only."""
        try:
            line = self.line
            self.lessons.look(phase, line.lessons, line.unix_s(t_ns), line.take_lowest_cell_v())
        except Exception:
            log.exception("lessons_failed")
            self.lessons = LessonKeeper(None, self.setup.flight)

    # -- out -------------------------------------------------------------------------------------

    def _say(self, concluded: list[Concluded], t_ns: int) -> None:
        for message in concluded:
            match message:
                case messages.Advisory():
                    self._say_advisory(message, t_ns)
                case messages.Status():
                    self._say_status(message, t_ns)
                case Text() if self._outgoing:
                    for frame in self._outgoing.text(message.severity, message.text):
                        self.link.send(frame)
                case ReturnAsked() if self._outgoing:
                    self.link.send(return_command(self._outgoing))
                    log.warning("return_requested")

    def _say_advisory(self, advisory: messages.Advisory, t_ns: int) -> None:
        self.chronicle.advisory(advisory)
        if self.uplink:
            self.uplink.submit_advisory(advisory)
        self._record("advisory", t_ns, advisory.payload())
        log.warning(
            "advisory",
            seq=advisory.seq,
            condition=advisory.condition,
            alert=advisory.level,
            t=advisory.t,
            sentence=advisory.sentence,
        )

    def _say_status(self, status: messages.Status, t_ns: int) -> None:
        self._record("status", t_ns, status.payload())
        if not self.uplink:
            return
        self.uplink.submit_status(status)
        history = self.chronicle.status(status)
        if history:
            self.uplink.submit_history(history)
        if status.where:
            where = status.where
            self.uplink.submit_track(status.t, where.lat_deg, where.lon_deg, where.height_m)

    def _record(self, topic: str, t_ns: int, data: bytes) -> None:
        if self.recorder:
            self.recorder.write(topic, t_ns, data)


def _flight_id(flight: Flight, boot: int) -> str:
    """Names this power-up; where a signed wish could move the aircraft, unguessably.

    The count of power-ups begins again when the disk is read-only, damaged or wiped. An old wish
    to arm must then not fit the new flight, so its name has a part that never comes again.
    """
    name = f"{flight.aircraft.aircraft_id}-{boot:05d}"
    return f"{name}-{secrets.token_hex(8)}" if flight.policy.return_request else name


async def _for_ever(part: Callable[[], Coroutine[None, None, None]]) -> None:
    """Run a part of the daemon, and again should it fail: the other parts do not suffer."""
    while True:
        try:
            await part()
        except Exception:
            log.exception("part_failed", part=part.__name__)
        await asyncio.sleep(PAUSE_S)


def serve(setup: Setup) -> None:
    """Run the daemon until it is told to stop."""
    refuse_unchecked_crc()
    asyncio.run(Service(setup).run())
