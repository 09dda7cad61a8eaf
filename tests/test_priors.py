"""A prior in words: to the last bit what it was, and nothing that no flight can have taught."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from supervisor.core.estimate.prior import PackPrior, PowerPrior, Prior
from supervisor.errors import InputError
from supervisor.priors import prior_of, prior_text, unfit
from tests.core.flights import flight


def some(power_mean: list[float], pack_mean: list[float], spread: float = 0.02) -> Prior:
    draw = np.random.default_rng(3)
    size = len(power_mean)
    packs = len(pack_mean)
    root, small = (draw.normal(size=(n, n)) * spread for n in (size, packs))
    return Prior(
        PowerPrior(np.array(power_mean), root @ root.T + 1e-6 * np.eye(size)),
        PackPrior(np.array(pack_mean), small @ small.T + 1e-6 * np.eye(packs)),
    )


# As older versions wrote them, and with the slope of the cruise scale (a pack: slow relaxation).
SCALES = st.lists(st.floats(-0.6, 0.6), min_size=5, max_size=6)


@given(SCALES, st.floats(-1.0, 1.5), st.floats(-0.9, 0.2), st.sampled_from([[], [0.4], [-1.1]]))
def test_what_is_written_reads_back_to_the_last_bit(
    power: list[float], resistance: float, capacity: float, slow: list[float]
) -> None:
    prior = some(power, [resistance, capacity, 0.01, *slow])
    assert prior.power is not None
    assert prior.pack is not None
    back = prior_of(prior_text(prior, flight()), flight(), "here")
    assert back.power is not None
    assert back.pack is not None
    for ours, theirs in (
        (prior.power.log_mean, back.power.log_mean),
        (prior.power.log_cov, back.power.log_cov),
        (prior.pack.log_mean, back.pack.log_mean),
        (prior.pack.log_cov, back.pack.log_cov),
    ):
        assert ours.tobytes() == theirs.tobytes()


def test_none_is_nothing() -> None:
    assert prior_text(Prior(), flight()) == ""
    assert prior_of("", flight(), "here") == Prior()


def test_half_of_it_is_half_of_it() -> None:
    whole = some([0.0] * 6, [0.0] * 3)
    half = prior_of(prior_text(Prior(whole.power), flight()), flight(), "here")
    assert half.power is not None
    assert half.pack is None


def test_another_capacity_in_a_what_if_keeps_the_ampere_hours() -> None:
    text = prior_text(some([0.0] * 6, [0.0, -0.05, 0.0]), flight())
    smaller = replace(flight(), pack=replace(flight().pack, capacity_ah=17.0))
    moved = prior_of(text, smaller, "here").pack
    assert moved is not None
    kept_ah = flight().pack.capacity_ah * math.exp(-0.05)
    assert 17.0 * math.exp(moved.log_mean[1]) == pytest.approx(kept_ah)


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("power", "log_mean", 0), 3.0),  # a hover of twenty times the builder's figure
        (("power", "log_mean", 2), -2.0),
        (("pack", "log_mean", 1), 1.0),  # a pack of 2.7 times its capacity
        (("pack", "log_mean", 1), -2.0),
        (("power", "log_cov", 0), [9.0, 0.0, 0.0, 0.0, 0.0, 0.0]),  # not symmetric any more
        (("power", "log_cov", 0), [0.0] * 6),
        (("power", "log_mean", 5), 1.1),  # three times as much at e times the speed
        (("power", "log_mean"), [0.0] * 5),  # fewer means than variances
        (("pack", "log_cov"), [[-1.0, 0.0, 0.0], [0.0, 1e-4, 0.0], [0.0, 0.0, 1e-4]]),
        (("pack", "log_cov"), [[9.0, 0.0, 0.0], [0.0, 1e-4, 0.0], [0.0, 0.0, 1e-4]]),
        (("pack", "log_cov"), [[1.0, 0.0], [0.0, 1.0]]),
        (("power", "log_mean"), [0.0] * 4),
        (("power", "log_mean", 1), None),
        (("capacity_ah",), 0.0),
        (("more",), 1),
    ],
)
def test_an_unfit_prior_is_refused(place: tuple[str | int, ...], value: object) -> None:
    data = json.loads(prior_text(some([0.0] * 6, [0.0] * 3), flight()))
    inner = data
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = value
    with pytest.raises(InputError, match="here"):
        prior_of(json.dumps(data), flight(), "here")


@given(st.text(max_size=200) | st.binary(max_size=200).map(lambda b: b.decode("latin-1")))
def test_any_text_is_a_prior_or_refused(text: str) -> None:
    try:
        prior = prior_of(text, flight(), "here")
    except InputError:
        return
    assert prior == Prior()


@pytest.mark.parametrize("wrong", [math.nan, math.inf])
def test_what_is_not_a_number_is_unfit(wrong: float) -> None:
    good = some([0.0] * 6, [0.0] * 3)
    assert unfit(good) == ""
    assert unfit(Prior(PowerPrior(np.full(5, wrong), np.eye(5) * 1e-4)))
    assert unfit(Prior(None, PackPrior(np.zeros(3), np.full((3, 3), wrong))))
