"""What an uplink is told, and what it counts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from supervisor.edge.dial import BrokerAddress, Credentials
from supervisor.edge.signatures import Signer

Event = Callable[[str, dict[str, Any]], None]  # a name and its fields, for the log


@dataclass(slots=True)
class UplinkCounts:
    """What happened so far; for the health topic and the tests."""

    connects: int = 0
    failures: int = 0
    advisories: int = 0
    acks: int = 0
    acks_refused: int = 0
    wire_bytes: int = 0


@dataclass(frozen=True, slots=True)
class UplinkOptions:
    """All that is settable; the defaults suit a bench."""

    address: BrokerAddress
    aircraft: str
    flight: str
    credentials: Credentials = field(default_factory=Credentials)
    signer: Signer | None = None
    people: Mapping[str, bytes] | None = None  # None: acknowledgements need no signature
    budget_kb_per_hour: float = 300.0
    compress: Literal["auto", "always", "never"] = "auto"  # auto: not on loopback
    pace: bool | None = None  # None: where bytes cost something
    version: str = ""

    @property
    def costly(self) -> bool:
        """Whether bytes cost something: not on loopback, unless a broker there passes them on."""
        return not self.address.loopback or self.compress == "always"
