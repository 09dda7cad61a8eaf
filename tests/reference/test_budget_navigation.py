"""Navigation worked examples, through the budget command's own JSON.

Speeds of the books (knots of big aeroplanes) are scaled to a true airspeed of 25 m/s: times stay,
distances scale with them. Each row names its source.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "budget"))
from ideal import cruise_power_w, flight_text, run_budget

TAS_MPS = 25.0
SECONDS, SHARE = 45.0, 0.003  # tolerances: the turn itself takes 5 s, climbs a few more


def textbook(
    folder: Path,
    *,
    tas: float,
    course_deg: float = 90.0,
    wind_from_deg: float,
    wind: float,
    hours: float,
    leg: float | None = None,
) -> tuple[dict, float]:
    """(the command's answer, m/s per knot). ``leg`` in the book's miles; else beyond any return."""
    knot = TAS_MPS / tas
    usable_wh = hours * cruise_power_w(TAS_MPS)
    distance = leg * knot * 3600.0 if leg else 0.6 * hours * 3600.0 * TAS_MPS
    text = flight_text(TAS_MPS, course_deg, distance, wind_from_deg, wind * knot, usable_wh)
    return run_budget(folder, text), knot


def miles(metres: float, knot: float) -> float:
    return metres / 3600.0 / knot


# E [h], ground speed out and home [kt], time [min], distance [nm]
SAFE_RETURN = [
    pytest.param(6.5, 240, 210, 182, 728, id="aerofile.blogspot.com/2009/02/point-of-no-return"),
    pytest.param(4.0, 150, 130, 111.43, 278.57, id="atplquestions.com easa-ecqb-2020 fpm/17"),
    pytest.param(4.5, 480, 410, 124.3, None, id="atplquestions.com atpl-h-ir performance/3"),
    pytest.param(6.0, 180, 220, 198, None, id="atplquestions.com fpm/12: TAS 200, W/V 270/20"),
]


@pytest.mark.parametrize(("hours", "out", "home", "minutes", "distance"), SAFE_RETURN)
def test_point_of_safe_return(
    tmp_path: Path, hours: float, out: float, home: float, minutes: float, distance: float | None
) -> None:
    """T = E H / (O + H); wind along the track makes O and H out of one airspeed."""
    tas, tail = 0.5 * (out + home), 0.5 * (out - home)
    from_deg = 270.0 if tail > 0 else 90.0  # the track leads east
    answer, knot = textbook(tmp_path, tas=tas, wind_from_deg=from_deg, wind=abs(tail), hours=hours)
    point = answer["turn_back"]["on_paper"]
    assert point["after_s"] == pytest.approx(60.0 * minutes, abs=SECONDS)
    if distance is not None:
        assert miles(point["along_m"], knot) == pytest.approx(distance, rel=SHARE)


def test_point_of_safe_return_in_a_crosswind(tmp_path: Path) -> None:
    """E=3.3 h, TT 005, TAS 125, W/V 290/15: with the full triangle T=1.7016 h, D=204.66 nm.

    atplquestions.com easa-ecqb-2020 flight-planning-monitoring/15 has the inputs (its own answer
    takes the along-track component alone and is 0.5 % too good); exact values by the sine rule.
    """
    answer, knot = textbook(
        tmp_path, tas=125.0, course_deg=5.0, wind_from_deg=290.0, wind=15.0, hours=3.3
    )
    point = answer["turn_back"]["on_paper"]
    assert point["after_s"] == pytest.approx(1.7016 * 3600.0, abs=SECONDS)
    assert miles(point["along_m"], knot) == pytest.approx(204.66, rel=SHARE)


@pytest.mark.parametrize(("wind", "distance"), [(0.0, 500.0), (50.0, 375.0), (-50.0, 375.0)])
def test_any_wind_along_the_track_brings_the_point_nearer(
    tmp_path: Path, wind: float, distance: float
) -> None:
    """E=10 h, TAS 100: 500 nm in still air, 375 nm with 50 kt from either end.

    avcanada.ca/forums2/viewtopic.php?t=73234 (a forum; its arithmetic checked).
    """
    from_deg = 270.0 if wind > 0 else 90.0
    answer, knot = textbook(tmp_path, tas=100.0, wind_from_deg=from_deg, wind=abs(wind), hours=10.0)
    assert miles(answer["turn_back"]["on_paper"]["along_m"], knot) == pytest.approx(
        distance, rel=SHARE
    )


def test_point_of_safe_return_with_another_wind_on_the_way_home(tmp_path: Path) -> None:
    """Q-R 3016 nm, TAS 480, E 10 h, wind component -90 out, +75 home: 2290.5 nm, after 5.873 h.

    Question: K. Williams, point of no return, scribd 677706636; answer 10 x 390 x 555 / 945 by the
    formula. The winds differ by height here: out at 0.2 m, home at 40 m.
    """
    knot = TAS_MPS / 480.0
    text = flight_text(
        TAS_MPS, 90.0, 3016.0 * 3600.0 * knot, 90.0, 0.0, 10.0 * cruise_power_w(TAS_MPS)
    )
    rows = ((0.0, 90.0), (5.0, 90.0), (35.0, 75.0), (60.0, 75.0))
    wind = ", ".join(
        f"{{ height_m = {height}, from_deg = 90.0, speed_mps = {speed * knot} }}"
        for height, speed in rows
    )
    head, _, tail = text.partition("wind = [")
    text = f"{head}wind = [{wind}]\nwind_sd_mps{tail.partition('wind_sd_mps')[2]}"
    answer = run_budget(
        tmp_path, text.replace("[return]\nheight_m = 0.2", "[return]\nheight_m = 40.0")
    )
    point = answer["turn_back"]["on_paper"]
    assert miles(point["along_m"], knot) == pytest.approx(2290.5, rel=SHARE)
    assert point["after_s"] == pytest.approx(5.873 * 3600.0, abs=SECONDS)


@pytest.mark.parametrize(
    ("wind_mps", "km"), [(0.0, 79.20), (6.0, 73.31), (10.0, 62.84), (14.0, 47.13)]
)
def test_electric_range_out_and_home(tmp_path: Path, wind_mps: float, km: float) -> None:
    """D = E / (P/O + P/H): 2 h at 22 m/s (600 Wh at 300 W); synthetic values of that formula.

    Within 0.6 %: the turn at 60 degrees of bank and the short climb count for more in 2 h.
    """
    usable_wh = 2.0 * cruise_power_w(22.0)
    text = flight_text(22.0, 45.0, 100e3, 225.0, wind_mps, usable_wh)
    answer = run_budget(tmp_path, text)
    point = answer["turn_back"]["on_paper"]
    assert point["along_m"] / 1000.0 == pytest.approx(km, rel=2 * SHARE)


EQUAL_TIME = [
    pytest.param(920, 240, 210, 429.3, id="aerofile.blogspot.com/2009/02 equal-time-point"),
    pytest.param(600, 300, 300, 300.0, id="Atlantic Flight Training ch.19, still air"),
    pytest.param(600, 250, 350, 350.0, id="Atlantic Flight Training ch.19, 50 kt head"),
    pytest.param(600, 350, 250, 250.0, id="Atlantic Flight Training ch.19, 50 kt tail"),
]


@pytest.mark.parametrize(("leg", "out", "home", "distance"), EQUAL_TIME)
def test_critical_point(
    tmp_path: Path, leg: float, out: float, home: float, distance: float
) -> None:
    """D H / (O + H)."""
    tas, tail = 0.5 * (out + home), 0.5 * (out - home)
    from_deg = 270.0 if tail > 0 else 90.0
    answer, knot = textbook(
        tmp_path, tas=tas, wind_from_deg=from_deg, wind=abs(tail), hours=9.0, leg=leg
    )
    point = answer["equal_time_point"]
    assert miles(point["along_m"], knot) == pytest.approx(distance, rel=SHARE)
    assert point["after_s"] == pytest.approx(leg / (out + home) * home / out * 3600.0, abs=SECONDS)


# course [deg], TAS, wind from [deg], wind, ground speed; all in the book's own unit of speed
TRIANGLES = [
    pytest.param(0, 160, 310, 45, 127.32, 0.01, id="mathworks driftcorr"),
    pytest.param(0, 160, 84.717, 27.902, 155.0, 0.1, id="mathworks driftvel, inverse"),
    pytest.param(45, 110, 90, 25, 91, 0.5, id="ppl-monkey windkorrektur 1"),
    pytest.param(270, 120, 180, 30, 116, 0.5, id="ppl-monkey windkorrektur 2"),
    pytest.param(180, 100, 180, 20, 80, 0.1, id="ppl-monkey windkorrektur 3"),
    pytest.param(0, 80, 180, 15, 95, 0.1, id="ppl-monkey windkorrektur 4"),
    pytest.param(0, 90, 270, 10, 89.4, 0.1, id="e6b.noseapp.ca heading-and-groundspeed"),
    pytest.param(90, 120, 45, 40, 88.34, 0.1, id="FAA-H-8083-25 example (from memory; exact)"),
    pytest.param(94, 165, 154.07, 33.06, 146, 0.5, id="Smithsonian NASM.XXXX.0136 p.8 ex.16"),
    pytest.param(45, 250, 92.3, 41.5, 220, 0.5, id="US Navy P-203 fig 4.6-2, inverse"),
]


@pytest.mark.parametrize(("course", "tas", "from_deg", "wind", "ground", "within"), TRIANGLES)
def test_wind_triangle(
    tmp_path: Path,
    course: float,
    tas: float,
    from_deg: float,
    wind: float,
    ground: float,
    within: float,
) -> None:
    """GS = TAS cos(WCA) - W cos(wd - TC), in the leg table."""
    answer, knot = textbook(
        tmp_path,
        tas=tas,
        course_deg=course,
        wind_from_deg=from_deg,
        wind=wind,
        hours=1.0,
        leg=0.1 * tas,
    )
    leg = next(row for row in answer["legs"] if row["phase"] == "cruise")
    assert leg["ground_mps"] / knot == pytest.approx(ground, abs=within)
    assert math.isclose(leg["seconds"] * leg["ground_mps"], leg["distance_m"], rel_tol=1e-4)
