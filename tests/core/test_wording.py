"""A person never reads of more time than there is."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.core.conclusions import FourNumbers, Level, Spread
from supervisor.core.decide import situation
from supervisor.core.decide.wording import headline, minutes, sentence
from tests.core.test_decide import CALM


@given(st.floats(0.0, 36_000.0))
def test_a_time_left_is_rounded_down_and_by_less_than_a_minute(seconds: float) -> None:
    (value, unit) = re.fullmatch(r"(\d+) (min|s)", minutes(seconds)).groups()  # type: ignore[union-attr]
    said_s = int(value) * (60 if unit == "min" else 1)
    assert said_s <= seconds < said_s + 60


def numbers(above: tuple[float, float, float], hover_v: float = 3.3) -> FourNumbers:
    spread = Spread(*above)
    volts = Spread(hover_v - 0.05, hover_v, hover_v + 0.05)
    return FourNumbers(spread, spread, spread, 0.0, 0.5, volts, 0.5, 0.5)


ABOVE = numbers((12.0, 37.0, 60.0), 3.02)
LANDS = "Turning now would land 37 Wh above the reserve (+12 to +60)."


def said(condition: str, n: FourNumbers | None = ABOVE, **facts: object) -> str:
    return sentence(condition, Level.WARNING, replace(CALM, **facts), n)  # type: ignore[arg-type]


def test_turn_back_now_leads_with_what_to_do_and_why() -> None:
    assert said("turn-back-now", covered=0.996, confidence=0.99) == (
        "Turn back now: going on takes the chance to land at home with reserve and voltage below "
        "99 %. " + LANDS
    )
    near = said("turn-back-now", covered=0.986, confidence=0.99)  # would read as 99 %
    assert near.startswith("Turn back now: going on takes the chance")
    assert said("turn-back-now", covered=0.84, confidence=0.995).startswith(
        "Turn back now: 84 % to land at home with reserve and voltage, and going on lowers it."
    )
    soon = said("turn-back-soon", turn_back_safe_s=250.0, confidence=0.995)
    assert soon == (
        "Be ready to turn back in 4 min: then the chance to land at home with reserve and "
        "voltage falls below 99.5 %. " + LANDS
    )


def test_home_in_doubt_names_what_runs_short() -> None:
    volts = said("home-not-covered", covered=0.62, hover_holds=0.62, energy_holds=0.998)
    assert volts == (
        "Home is in doubt: 62 % to land with reserve and voltage. It is the voltage in the landing "
        "hover (lowest cell about 3.02 V) that runs short, not the energy. " + LANDS
    )
    both = said("home-not-covered", covered=0.3, hover_holds=0.5, energy_holds=0.6)
    assert both.startswith("Home is likely out of reach: 30 % to land")
    over_it = said(
        "home-not-covered", covered=0.3, hover_holds=0.3, energy_holds=0.9, over_pad=True
    )
    assert over_it.startswith("The landing is likely to fall short: 30 % to land")
    assert "Both run short, the energy and the voltage in the landing hover (lowest" in both
    energy = said("home-not-covered", covered=0.3, hover_holds=0.97, energy_holds=0.3)
    assert "It is the energy that runs short. " in energy
    assert "hover" not in energy


def test_fine_is_not_said_of_a_turn_that_is_due() -> None:
    due = headline(replace(CALM, turn_back_safe_s=-3.0, covered=0.98), ABOVE, "")
    assert due == "The turn is near: 98 % to land at home with reserve and voltage. " + LANDS


@pytest.mark.parametrize(
    ("above", "chance"),
    [  # normal: mean over sigma, sigma from the 5 % side; two halves of different width
        ((-16.45, 0.0, 16.45), 0.5),
        ((0.0, 16.45, 50.0), 0.95),
        ((-50.0, -16.45, 0.0), 0.05),
        ((5.0, 5.0, 5.0), 1.0),
        ((-5.0, -5.0, -5.0), 0.0),
    ],
)
def test_the_chance_of_the_energy_alone_is_that_of_its_spread(
    above: tuple[float, float, float], chance: float
) -> None:
    assert situation._energy_holds(Spread(*above)) == pytest.approx(chance, abs=1e-4)


def test_a_turn_that_is_due_or_never_comes_has_words() -> None:
    assert minutes(-0.5) == "now"
    assert minutes(math.inf) == "not within the plan"
