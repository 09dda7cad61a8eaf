"""One line of the robustness table."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """What was done to what, how often, and what came of it."""

    subject: str
    cases: int
    outcome: str
