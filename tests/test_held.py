"""What the pack holds: on the ground what the forecast says of landing now, in the air the pack."""

from __future__ import annotations

from typing import Any

import pytest

from supervisor import messages
from supervisor.expect import Watcher
from supervisor.held import Held, held, on_ground

PACK = messages.Pack(
    charge_percent=20.0, charge_sd_percent=1.0, energy_wh=140.0, pack_v=None,
    weakest_cell_v=None, current_a=None, temperature_c=None,
)  # fmt: skip
NUMBERS = messages.Numbers(
    landing_energy_wh=(108.0, 132.0, 156.0), above_reserve_wh=(20.0, 44.0, 68.0),
    turn_back_min=(None, None, None), turn_back_safe_min=None, completion=1.0,
    hover_cell_v=(3.0, 3.1, 3.2), hover_holds=1.0, covered=1.0,
)  # fmt: skip


def status(phase: str, height_m: float | None = None, **other: Any) -> messages.Status:
    place = None
    if height_m is not None:
        place = messages.Where(
            lat_deg=0.0, lon_deg=0.0, height_m=height_m, alt_m=height_m, groundspeed_mps=0.0,
            track_deg=0.0, airspeed_mps=None,
        )  # fmt: skip
    fields: dict[str, Any] = {"numbers": NUMBERS, "pack": PACK} | other
    return messages.Status(
        aircraft="a", flight="f", t=100.0, phase=phase, level="normal", sentence="", where=place,
        turn_back_place=None, ledger_wh={}, planned_wh={}, why_wh={}, wind=None, alternates=[],
        active=[], advice={}, telemetry_age_s=0.0, **fields,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("seen", "standing"),
    [
        (status("ground"), True),
        (status("hover-landing", 3.0), True),
        (status("hover-landing", 30.0), False),
        (status("hover-landing"), False),
        (status("cruise", 3.0), False),
    ],
)
def test_what_counts_as_standing(seen: messages.Status, standing: bool) -> None:
    assert on_ground(seen) is standing


def test_on_the_ground_it_is_what_a_landing_now_would_leave() -> None:
    assert held(status("ground")) == Held(108.0, 132.0, 156.0, beyond_wh=8.0)


def test_once_the_flight_is_over_it_is_what_the_status_says_it_landed_with() -> None:
    end = messages.Landed(
        place="at home", energy_wh=(110.0, 131.0, 150.0), above_reserve_wh=(22.0, 43.0, 62.0)
    )
    told = status("ground", numbers=None, landed=end)
    assert held(told) == Held(110.0, 131.0, 150.0, beyond_wh=9.0)


def test_in_the_air_it_is_the_pack_as_far_as_its_charge_is_known() -> None:
    """One percent of charge in twenty is 7 Wh in 140; 1.645 of them to the 95th percentile."""
    told = held(status("cruise", 100.0))
    assert told is not None
    assert told.middle_wh == 140.0
    assert (told.low_wh, told.high_wh) == pytest.approx((140.0 - 11.5, 140.0 + 11.5), abs=0.02)


def test_without_a_pack_nothing_is_held() -> None:
    assert held(status("cruise", pack=None, numbers=None)) is None


def test_the_gate_judges_by_the_same_energy() -> None:
    watcher = Watcher(final_reserve_wh=88.0)
    watcher.hear(status("cruise", 100.0))
    watcher.hear(status("ground"))
    assert watcher.outcome().above_reserve_wh == 44.0
