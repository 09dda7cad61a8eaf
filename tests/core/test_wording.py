"""A person never reads of more time than there is."""

from __future__ import annotations

import math
import re

from hypothesis import given
from hypothesis import strategies as st

from supervisor.core.decide.wording import minutes


@given(st.floats(0.0, 36_000.0))
def test_a_time_left_is_rounded_down_and_by_less_than_a_minute(seconds: float) -> None:
    (value, unit) = re.fullmatch(r"(\d+) (min|s)", minutes(seconds)).groups()  # type: ignore[union-attr]
    said_s = int(value) * (60 if unit == "min" else 1)
    assert said_s <= seconds < said_s + 60


def test_a_turn_that_is_due_or_never_comes_has_words() -> None:
    assert minutes(-0.5) == "now"
    assert minutes(math.inf) == "not within the plan"
