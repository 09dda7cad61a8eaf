"""The options of what a CI judges: the same for one recording and for a campaign (see gate.py)."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., Any])


def judged(what: str) -> Callable[[Command], Command]:
    """``--expect``, ``--junit`` and ``--summary``, as ``expect_file``, ``junit`` and ``summary``;
    ``what`` is judged."""
    path = click.Path(path_type=Path)
    options = (
        click.option("--expect", "expect_file", type=path, metavar="FILE.toml",
                     help=f"judge {what}; exit status 1 when it is not as expected"),
        click.option("--junit", type=path, metavar="FILE.xml",
                     help="with --expect: the judgement for a CI's test page"),
        click.option("--summary", type=path, metavar="FILE.md",
                     help="with --expect: the judgement for a CI's summary page, appended"),
    )  # fmt: skip

    def with_options(command: Command) -> Command:
        for option in reversed(options):  # help lists the last one put on first
            command = option(command)
        return command

    return with_options
