"""Units against their definitions, and rounding that never promises too much."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim import demo_screen
from supervisor.core.decide.wording import percent
from supervisor.watch import glyphs, words
from supervisor.watch.view import Figure

# International foot: 0.3048 m exactly (1959 agreement); nautical mile: 1852 m exactly (1929,
# Monaco); knot: one nautical mile an hour. BIPM SI brochure, 9th edition, lists mile and knot.


def test_nautical_units_by_definition() -> None:
    assert words.distance(1852.0 / 1000.0 * 10, "nautical") == "10.0 NM"
    assert words.height(304.8, "nautical") == "1000 ft"
    assert words.speed(1852.0 / 3600.0 * 25, "nautical") == "25 kt"


@pytest.mark.parametrize(
    ("minutes", "shown"),
    [
        (23.99, ("23", "min")),
        (10.0, ("10", "min")),
        (9.999, ("9:59", "min")),
        (1.0, ("1:00", "min")),
        (0.9999, ("59", "s")),
        (0.64, ("38", "s")),
        (-1.0, ("0", "s")),
    ],
)
def test_time_left_is_rounded_down(minutes: float, shown: tuple[str, str]) -> None:
    assert words.minutes_left(minutes) == shown


def test_a_turn_that_is_near_has_its_seconds() -> None:
    at_s = 1_900_000_000.0  # 17:46:40 UTC
    assert words.turn_clock(at_s, 5.0) == "17:51"
    assert words.turn_clock(at_s, 4.5) == "17:51:10"


def test_no_turn_at_even_odds_is_said_in_words() -> None:
    nothing = (None, None, None)
    figure = Figure("turn", 12.0, nothing, nothing, 0.7, 0.99, False)
    assert words.spread_words(figure, None) == (
        "More likely than not it need not turn before the plan ends."
    )


def test_chances_are_never_certain() -> None:
    assert [words.chance(p) for p in (1.0, 0.0, 0.97)] == ["over 99 %", "under 1 %", "97 %"]
    assert [words.chance(p) for p in (0.995, 0.005)] == ["over 99 %", "under 1 %"]


@given(st.floats(0.0, 1.0))
def test_a_chance_reads_alike_in_the_sentence_the_terminal_and_the_demo(share: float) -> None:
    assert words.chance(share) == percent(share)
    assert percent(share) not in ("100 %", "0 %")
    short = percent(share).replace("over ", ">").replace("under ", "<")
    assert demo_screen._chance(share) == short


def test_after_a_landing_the_energy_left_is_said_with_its_spread() -> None:
    nothing = (None, None, None)
    figure = Figure(
        "landed", None, nothing, (-18.0, -7.6, 3.0), None, None, False, (65.8, 76.4, 87.0)
    )
    assert words.figure_words(figure) == ("76", "Wh left in the pack, landed")
    assert words.spread_words(figure, 0.99) == (
        "Nine in ten between 66 and 87; 8 Wh below the final reserve. The debrief tells the rest."
    )


def test_a_minus_is_a_minus() -> None:
    assert [words.signed(v) for v in (-3.6, 3.6, 0.2, None)] == ["−4", "+4", "0", "–"]


def test_whole_figures_have_no_minus_before_nought() -> None:
    assert [words.whole(v) for v in (-5.6, -0.4, 0.4, 41.5)] == ["−6", "0", "0", "42"]


def test_big_figures_are_five_equal_lines() -> None:
    lines = glyphs.big("12:07 NOW")
    assert len(lines) == 5
    assert len({len(line) for line in lines}) == 1


def test_the_rope_ends_where_the_numbers_say() -> None:
    line, solid, last = glyphs.rope(100, 50.0, 20.0, (25.0, 30.0, 40.0))
    assert (len(line), solid, last) == (100, 40, 80)
    assert line.index("┆") == 60
    assert line[:40] == "█" * 40


def test_shares_of_a_bar_add_up_to_their_sum() -> None:
    amounts = [33.3, 33.3, 33.4]
    assert sum(glyphs.shares(61, amounts, 100.0)) == 61
    assert glyphs.shares(10, [5.0, -3.0, 5.0], 10.0) == [5, 0, 5]


def test_the_strip_fills_to_the_sure_margin_and_lightens_after_now() -> None:
    """From 100 Wh down to none: half as high in the middle, the future in lighter characters."""
    columns = [glyphs.Column(float(t), 100.0 - t, 110.0 - t) for t in range(0, 101, 5)]
    rows = glyphs.strip(columns, (0.0, 100.0), 50.0, 40, 10)
    assert [len(row) for row in rows] == [40] * 10
    heights = [sum(row[i] in "█▒" for row in rows) for i in range(40)]
    assert heights[0] == 9  # of ten rows up to 110 Wh
    assert heights[20] == 5
    assert heights == sorted(heights, reverse=True)
    assert "█" not in rows[-1][21:]
    assert "▒" not in rows[-1][:20]
    assert glyphs.place((0.0, 100.0), 50.0, 40) == 20
    assert rows[0][0] == "░"  # between sure and likely
