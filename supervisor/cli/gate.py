"""The gate: judge a replay and write what a CI reads."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import click

from supervisor.core.plan import Flight
from supervisor.debrief.readings import lowest_cell_v
from supervisor.edge.recording import Recording
from supervisor.errors import InputError
from supervisor.expect import Check, Expected, Watcher, all_met, judge
from supervisor.expect_report import to_junit, to_markdown, to_text
from supervisor.messages import Advisory, Status
from supervisor.replay import pretty


def judge_replay(
    recording: Recording,
    flight: Flight,
    messages: Iterable[Advisory | Status],
    expected: Expected,
    name: str,
    junit: Path | None,
    summary: Path | None,
) -> int:
    """0 when everything is as expected, else 1."""
    watcher, said = Watcher(flight.policy.final_reserve_wh), []
    for message in messages:
        watcher.hear(message)
        if isinstance(message, Advisory):
            said.append(pretty(message))
    checks = judge(expected, watcher.outcome(lowest_cell_v(recording)))
    return report(checks, name, said, junit, summary)


def report(
    checks: list[Check], name: str, said: list[str], junit: Path | None, summary: Path | None
) -> int:
    """Print and write the judgement; returns the exit status."""
    click.echo(to_text(checks), err=True)
    if junit is not None:
        _write(junit, to_junit(name, checks), "w")
    if summary is not None:
        _write(summary, to_markdown(name, checks, said), "a")  # CI summary files are appended to
    return 0 if all_met(checks) else 1


def _write(path: Path, text: str, mode: str) -> None:
    try:
        with path.open(mode, encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise InputError(str(path), f"cannot be written: {error.strerror}") from None
