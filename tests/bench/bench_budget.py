"""``homeleg budget`` as a command, beside an interpreter that imports what it must."""

from __future__ import annotations

import os
import tempfile
import tomllib
from pathlib import Path

import tomli_w

from tests.bench.feed import FLIGHT
from tests.bench.row import Form, Growth, Row, python, ran_in_turns

BARE = python("-c", "import numpy, pydantic, click")
BUDGET = python("-m", "supervisor", "budget")


def rows(form: Form) -> list[Row]:
    """Pairs are run in turn, so that a busy machine slows both; sizes are points of the route."""
    rounds = form.pick(1, 5)
    bare, report, *budgets = ran_in_turns(
        BARE,
        [*BUDGET, FLIGHT, "--html", os.devnull],
        [*BUDGET, FLIGHT],
        rounds=rounds,
    )
    against = "an interpreter that imports numpy, pydantic and click"
    return [
        Row("homeleg budget", budgets[0].cpu_s, "CPU s", bare.cpu_s, against),
        Row("homeleg budget --html", report.cpu_s, "CPU s", bare.cpu_s, against),
    ]
