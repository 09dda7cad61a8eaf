"""The robustness table in short; the long form is ``python tests/robust/table.py``."""

from __future__ import annotations

import random

import living
import table


def test_hurt_files_are_refused_in_our_own_words() -> None:
    assert table.file_readers(150, random.Random(1)).cases == 150


def test_hurt_topics_are_refused() -> None:
    assert table.topic_readers(600, random.Random(2)).cases == 600


def test_absurd_values_in_every_field_end_in_no_fault() -> None:
    row = table.values(every=5)
    assert row.cases > 100
    assert not row.outcome.startswith("0 ")


def test_jumps_of_the_date_change_no_advisory() -> None:
    assert table.clock_jumps(1, random.Random(3)).cases == 1


def test_hurt_outboxes_work_on() -> None:
    assert table.outboxes(25, random.Random(4)).cases == 25


def test_every_silence_is_said() -> None:
    assert living.silences(2, random.Random(5)).cases == 2
