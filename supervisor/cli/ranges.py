"""Numbers on the command line, with the bounds that what takes them has."""

from __future__ import annotations

import math
from typing import Any

import click
from pydantic import BaseModel


class Decimal(click.FloatRange):
    """A finite number between two bounds: NaN lies within none, and infinity is no time."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is no finite number", param, ctx)
        return number


def whole(section: type[BaseModel], key: str) -> click.IntRange:
    """The bounds of a file's ``key``: what a file may not say the command line may not either."""
    marks = section.model_fields[key].metadata
    least = next((mark.ge for mark in marks if hasattr(mark, "ge")), None)
    most = next((mark.le for mark in marks if hasattr(mark, "le")), None)
    return click.IntRange(least, most)
