"""One thing checked: how it stands, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum


class Verdict(Enum):
    """How a check ended. Only BAD says "do not take off like this"."""

    GOOD = "good"
    DOUBT = "doubt"  # it may work; somebody should look
    BAD = "bad"
    SKIPPED = "skipped"  # could not be checked, and why


@dataclass(frozen=True, slots=True)
class Finding:
    """``fix`` is empty when there is nothing to mend."""

    check: str
    verdict: Verdict
    says: str
    fix: str = ""

    def as_json(self) -> dict[str, str]:
        """For scripts."""
        return {
            "check": self.check,
            "verdict": self.verdict.value,
            "says": self.says,
            "fix": self.fix,
        }


def good(check: str, says: str) -> Finding:
    """All is well."""
    return Finding(check, Verdict.GOOD, says)


def doubt(check: str, says: str, fix: str) -> Finding:
    """Somebody should look."""
    return Finding(check, Verdict.DOUBT, says, fix)


def bad(check: str, says: str, fix: str) -> Finding:
    """Not fit for a take-off."""
    return Finding(check, Verdict.BAD, says, fix)


def skipped(check: str, says: str, fix: str = "") -> Finding:
    """Not checked."""
    return Finding(check, Verdict.SKIPPED, says, fix)


def fit(findings: Iterable[Finding]) -> bool:
    """Whether nothing is bad."""
    return not any(finding.verdict is Verdict.BAD for finding in findings)
