"""How the daemon is: gathers the health message from its parts, and says when to send it.

Sent every period, and at once when the gate opens or closes or a trouble comes or goes, so that
every fault of the daemon's own surroundings reaches a person and not only a log.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from supervisor import __version__, messages
from supervisor.daemonfile import DaemonFile
from supervisor.doctor.finding import Finding, Verdict
from supervisor.doctor.hearing import Hearing
from supervisor.edge import health as facts
from supervisor.publish import known, utc_text

if TYPE_CHECKING:
    from supervisor.service import Service

CHECK_S = 2.0  # how often it is looked for changes
ON_GROUND = ("ground", "unknown")
STILL_S = 30.0  # a clock step is said when it is larger than this
FEW, FEW_BYTES = 50, 2000  # so much may come before the aircraft's first heartbeat


@dataclass(slots=True)
class HealthKeeper:
    """Remembers what the health message needs from one report to the next."""

    hearing: Hearing
    process: facts.Process = field(default_factory=facts.Process)
    looks: int = 0
    phase: str = "unknown"
    sentence: str = ""  # the last status in words
    first_forecast: bool = False
    slowest_look_s: float = 0.0
    due_s: float = -math.inf
    told: tuple[list[str], list[str]] = field(default_factory=lambda: ([], []))

    def looked(self, status: messages.Status, took_s: float) -> None:
        """The core concluded; ``took_s`` is what that cost."""
        self.looks += 1
        self.phase, self.sentence = status.phase, status.sentence
        self.first_forecast = self.first_forecast or status.numbers is not None
        self.slowest_look_s = max(self.slowest_look_s, took_s)

    def report(self, service: Service, now_s: float) -> messages.Health | None:
        """The health message when there is a reason to send it, else None."""
        told = (_not_ready(self, service, now_s), _troubles(service))
        if _subjects(told) == _subjects(self.told) and now_s < self.due_s:
            return None
        self.told = told
        self.due_s = now_s + service.setup.daemon.health.period_s
        message = self.message(service, now_s)
        self.slowest_look_s = 0.0
        return message

    def message(self, service: Service, now_s: float) -> messages.Health:
        """How everything is now."""
        not_ready, troubles = self.told
        unix_s = service.unix_s()
        return messages.Health(
            aircraft=service.aircraft,
            flight=service.flight_id,
            t=round(service.clock.now_ns() * 1e-9, 3),
            utc=utc_text(unix_s),
            version=__version__,
            ready=not not_ready,
            not_ready=not_ready,
            troubles=troubles,
            link=_link(service, now_s),
            storage=_storage(service),
            process=self._process(),
            broker=_broker(service),
            clock_step_s=known(facts.wall_unix_s() - unix_s, 1),
        )

    def _process(self) -> messages.ProcessHealth:
        return messages.ProcessHealth(
            uptime_s=round(self.process.uptime_s, 1),
            resident_mb=_rounded(facts.resident_mb()),
            cpu_percent=round(self.process.cpu_percent(), 1),
            looks=self.looks,
            slowest_look_ms=round(self.slowest_look_s * 1e3, 1),
            handles=facts.open_handles(),
        )


def _subjects(told: tuple[list[str], list[str]]) -> list[str]:
    """What is told without its figures: they change at every look and are no news."""
    return [re.sub(r"\d+", "#", text) for texts in told for text in texts]


def _not_ready(keeper: HealthKeeper, service: Service, now_s: float) -> list[str]:
    """The pre-flight gate: what is bad, in words, with its fix. In flight it asks for no place."""
    if keeper.phase not in ON_GROUND:
        return []
    found = keeper.hearing.findings(service.setup.flight, now_s)
    wrong = _by_fix([f for f in found if f.verdict is Verdict.BAD])
    if not keeper.first_forecast and not keeper.hearing.silent(now_s):
        wrong.append("forecast: none yet (it comes seconds after position and pack are known)")
    return [*wrong, *service.plan_findings]


def _by_fix(found: list[Finding]) -> list[str]:
    """In words; what has one remedy is said together, and the remedy once."""
    remedies = dict.fromkeys(finding.fix for finding in found)
    return [
        f"{', '.join(f'{f.check}: {f.says}' for f in found if f.fix == fix)} ({fix})"
        for fix in remedies
    ]


def _troubles(service: Service) -> list[str]:
    """Faults around the daemon. Words without changing numbers: a change is sent at once."""
    daemon, recorder = service.setup.daemon, service.recorder
    found = [service.outbox.trouble, recorder.fault if recorder else ""]
    found += [service.prior_trouble, service.lessons.trouble]
    if service.uplink:
        found += service.uplink.troubles
    if service.fault:
        found.append(f"the reckoning failed: {service.fault}")
    if recorder and recorder.dropped:
        found.append("the recording has gaps: the disk was away or too slow")
    if service.outbox.dropped:
        found.append("the outbox was full: the oldest advisories were dropped")
    found.append(_disk(daemon))
    step_s = facts.wall_unix_s() - service.unix_s()
    if daemon.clock == "receipt" and abs(step_s) > STILL_S:
        found.append("the system's date is not the aircraft's; certificates may be refused")
    if facts.handles_exhausted():
        found.append("no file descriptor is left: nothing new can be opened, a broker neither")
    if not service.link.up:
        found.append("the link to the aircraft is down")
    found.append(_unheard(service))
    return [text for text in found if text]


def _disk(daemon: DaemonFile) -> str:
    """What ails the storage: a folder that cannot be written has no space to speak of."""
    folder, least_mb = daemon.storage.directory, daemon.health.min_free_mb
    if not facts.writable(folder):
        return f"nothing can be written to {folder}"
    free = facts.free_mb(folder)
    few = free is not None and free < least_mb
    return f"less than {least_mb:.0f} MB of disk are left" if few else ""


def _unheard(service: Service) -> str:
    """Why nothing of the aircraft is heard though something comes: key, number or baud."""
    intake, split = service.intake, service.intake.bytes_counts
    counts = intake.counts
    if counts.accepted:
        return ""
    refused = counts.wrong_signature + counts.unsigned + counts.replayed
    unknown = intake.verifier is not None and intake.system_id is None
    if refused > FEW or (unknown and counts.other > FEW):
        return "no frame is rightly signed: is link.signing_key the autopilot's?"
    if counts.other > FEW:
        return "only other systems or components are heard: is link.system_id right?"
    if split.bytes > FEW_BYTES and split.frames == 0:
        return "bytes come but no frames: is the baud rate right, does it speak MAVLink?"
    return ""


def _link(service: Service, now_s: float) -> messages.LinkHealth:
    intake = service.intake
    counts, order, split = intake.counts, intake.order, intake.bytes_counts
    return messages.LinkHealth(
        up=service.link.up,
        age_s=known(now_s - service.heard_s, 1),
        frames=counts.accepted,
        lost=order.lost,
        doubled=order.repeated + order.late,
        foreign=counts.other,
        refused=counts.unsigned + counts.wrong_signature + counts.replayed,
        damaged=split.damaged,
    )


def _storage(service: Service) -> messages.StorageHealth:
    recorder, outbox = service.recorder, service.outbox
    return messages.StorageHealth(
        recording=recorder.path.name if recorder else "",
        recorded=recorder.written if recorder else 0,
        recording_dropped=recorder.dropped if recorder else 0,
        fault=recorder.fault if recorder else "",
        waiting=len(outbox),
        outbox_dropped=outbox.dropped,
        outbox_trouble=outbox.trouble,
        free_mb=_rounded(facts.free_mb(service.setup.daemon.storage.directory)),
    )


def _broker(service: Service) -> str:
    if service.uplink is None:
        return "none"
    return "connected" if service.uplink.is_connected else "away"


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
