"""The debrief of a short simulated flight: it adds up, and says what happened."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from sim.state import AircraftState
from supervisor import messages
from supervisor.cli.debrief import command
from supervisor.core.plan import WindRow
from supervisor.debrief.answer import Debrief
from supervisor.debrief.as_json import to_json
from supervisor.debrief.causes import CAUSES, find_causes
from supervisor.debrief.compute import _bands, _events, _lines, _turn_back, from_deg
from supervisor.debrief.flown import WindSeen
from supervisor.debrief.html import to_html
from supervisor.debrief.planned import plan_flight
from supervisor.debrief.said import Acknowledgement, Said, hear_again
from supervisor.debrief.text import render
from supervisor.debrief.words import headline, pack_rows, sentences, spare
from supervisor.edge.recording import Recording
from supervisor.errors import InputError
from supervisor.recordings import trimmed, write_recording


def test_causes_add_up_to_the_difference(debrief: Debrief) -> None:
    assert set(debrief.causes.total_wh) == set(CAUSES)
    assert sum(debrief.causes.total_wh.values()) == pytest.approx(debrief.difference_wh, abs=1e-6)


def test_causes_by_leg_add_up_to_the_total(debrief: Debrief) -> None:
    for cause in CAUSES[:-1]:
        by_leg = sum(row[cause] for row in debrief.causes.by_leg_wh.values())
        assert by_leg == pytest.approx(debrief.causes.total_wh[cause], abs=1e-9)


def test_landing_is_told_with_its_range_as_the_monitor_believed_it(
    debrief: Debrief, recorded: Path, mission: tuple[Path, AircraftState]
) -> None:
    """All that the mean cell holds is more than can be taken before the weakest one is empty."""
    last = hear_again(Recording(recorded), debrief.flight).statuses[-1]
    assert last.numbers is not None
    assert last.pack is not None
    told = debrief.landing
    assert (told.low_wh, told.middle_wh, told.high_wh) == last.numbers.landing_energy_wh
    assert told.middle_wh < last.pack.energy_wh
    assert told.low_wh < mission[1].energy_left_wh < told.high_wh
    words = f"Landed with {told.middle_wh:.0f} Wh ({told.low_wh:.0f} to {told.high_wh:.0f}), "
    assert headline(debrief).startswith(words)
    told_j = json.loads(to_json(debrief))
    assert told_j["landing_range_wh"] == pytest.approx([told.low_wh, told.high_wh], rel=1e-5)
    energy = dict(pack_rows(debrief))["Energy"]
    assert energy.startswith("875 Wh nameplate, 849 Wh today at 18 °C as planned; ")
    heat_wh = debrief.start_wh - told.middle_wh - debrief.pack.delivered_wh
    assert debrief.pack.heat_wh == pytest.approx(heat_wh)
    # of what was held at the start in the same sense, told to 1 % of nameplate at best
    assert -8.75 < heat_wh < 60.0


def test_ledger_adds_up_on_both_sides(debrief: Debrief) -> None:
    flown = sum(line.flown_wh for line in debrief.lines)
    planned = sum(line.planned_wh for line in debrief.lines)
    assert flown == pytest.approx(debrief.flown.pack.total_wh, rel=1e-9)
    assert planned == pytest.approx(debrief.plan.energy_wh(), rel=1e-9)


def test_legs_and_phases_are_those_of_the_plan(debrief: Debrief) -> None:
    phases = {(line.leg, line.phase) for line in debrief.lines if line.flown_wh > 1.0}
    assert {("to gauge 1", "take-off"), ("to gauge 2", "cruise"), ("home", "landing")} <= phases


def test_a_missed_landing_that_was_planned_for_is_planned_as_landing(debrief: Debrief) -> None:
    """A circuit of 60 s, 60 s and 15 % of hover, and 16 s back up: a landing more, and longer."""
    policy = replace(debrief.flight.policy, missed_landings=1)
    plan = plan_flight(replace(debrief.flight, policy=policy))
    lines = {(x.leg, x.phase): x for x in _lines(debrief.flight, plan, debrief.flown)}
    assert lines["home", "landing"].planned_s == pytest.approx(69.0 + 60.0 + 69.0 + 16.0)
    causes = find_causes(debrief.flight, plan, debrief.flown, debrief.landing_wh).total_wh
    assert sum(causes.values()) == pytest.approx(plan.landing_wh - debrief.landing_wh, abs=1e-6)


def test_gusts_that_were_planned_for_are_no_drag(debrief: Debrief) -> None:
    """A tenth more of the power on the wing, planned: so much less of what was flown is drag."""
    craft, rows = debrief.flight.aircraft, (WindRow(0.0, 100.0, 10.0, 0.0),)
    weather = replace(debrief.flight.weather, wind=rows)
    smooth = replace(debrief.flight, weather=weather)
    gusty = replace(smooth, aircraft=replace(craft, gust_cost=0.1))
    before, after = (
        find_causes(f, plan_flight(f), debrief.flown, debrief.landing_wh).total_wh
        for f in (smooth, gusty)
    )
    wing = [b for b in debrief.flown.blocks if b.phase == "cruise"]
    flown_wh = sum(b.energy_wh - craft.avionics_w * b.seconds / 3600.0 for b in wing)
    assert before["drag"] - after["drag"] == pytest.approx(0.1 * flown_wh, rel=0.2)
    assert after["route"] == pytest.approx(before["route"], abs=1.0)
    assert sum(after.values()) == pytest.approx(
        plan_flight(gusty).landing_wh - debrief.landing_wh, abs=1e-6
    )


def with_forecast(d: Debrief, n_mps: float, e_mps: float) -> dict[str, float]:
    """The causes if the forecast had been this wind (blowing toward) all day."""
    rows = (WindRow(0.0, 100.0, n_mps, e_mps),)
    flight = replace(d.flight, weather=replace(d.flight.weather, wind=rows))
    return find_causes(flight, d.plan, d.flown, d.landing_wh).total_wh


def test_wind_costs_nothing_when_it_was_forecast(debrief: Debrief) -> None:
    cruise = [w for w in debrief.flown.winds if w.height_m > 80.0]
    met = np.mean([(w.n_mps, w.e_mps) for w in cruise], axis=0)
    assert abs(with_forecast(debrief, *met)["wind"]) < 1.0


def test_any_wind_costs_more_than_the_calm_that_was_forecast(debrief: Debrief) -> None:
    # out and back the same way: energy is proportional to 1/(V+w) + 1/(V-w), least at w = 0
    assert with_forecast(debrief, 0.0, 0.0)["wind"] > 1.0


def test_the_pack_is_read_like_the_truth(debrief: Debrief) -> None:
    p = debrief.pack
    assert 2.9 < p.lowest_cell_v < 4.2
    assert p.start_c == pytest.approx(18.0, abs=2.5)  # sensor offset up to 1.5 K
    assert 20.0 < p.hover_wh < 60.0
    assert p.capacity_ah == pytest.approx(19.6, rel=0.06)


@pytest.mark.parametrize(
    ("heat_wh", "said"), [(-3.2, "too little to be told"), (8.4, "8 Wh became")]
)
def test_no_pack_is_said_to_have_made_less_than_no_heat(
    debrief: Debrief, heat_wh: float, said: str
) -> None:
    rows = dict(pack_rows(replace(debrief, pack=replace(debrief.pack, heat_wh=heat_wh))))
    assert said in rows["Energy"]
    assert "-3 Wh" not in rows["Energy"]


def advisory(seq: int, t: float, condition: str, level: messages.LevelName) -> messages.Advisory:
    return messages.Advisory(
        aircraft="a", flight="f", t=t, seq=seq, condition=condition, level=level, sentence="-",
        numbers=None, why_wh={},
    )  # fmt: skip


def test_advisories_have_their_times_and_acknowledgements() -> None:
    said = Said(
        (),
        (
            advisory(1, 10.0, "pack-weak", "caution"),
            advisory(2, 70.0, "pack-weak", "caution"),  # a reminder
            advisory(3, 90.0, "pack-weak", "warning"),
            advisory(4, 200.0, "pack-weak", "normal"),
        ),
        (Acknowledgement(75.0, 2, "Ann"),),
        False,
    )
    first, second = _events(said)
    assert (first.t_s, first.level, first.ended_s, first.repeats) == (10.0, "caution", 90.0, 1)
    assert (first.acked_by, first.acked_after_s) == ("Ann", 65.0)
    assert (second.level, second.ended_s, second.acked_by) == ("warning", 200.0, "")


@pytest.mark.parametrize(
    ("warned_s", "words"),
    [
        (9.0, "on time"),
        (40.0, "on time"),  # 30 s are the policy's reaction, the rest is the turn itself
        (61.0, "1 min late"),
        (170.0, "2 min late"),
    ],
)
def test_a_pilot_is_measured_by_the_warning_and_the_reaction_it_allows(
    debrief: Debrief, recorded: Path, warned_s: float, words: str
) -> None:
    said = hear_again(Recording(recorded), debrief.flight)
    warning = advisory(1, debrief.flown.turn_s - warned_s, "turn-back-now", "warning")
    said = replace(said, advisories=(warning,))
    turn = _turn_back(debrief.flight, debrief.flown, said, debrief.landing_wh)
    assert turn.safe_left_s == pytest.approx(30.0 - warned_s)
    told = replace(debrief, turn_back=turn)
    assert spare(told) == words
    sentence = f", {words}: {warned_s:.0f} s after turn-back-now, which allows 30 s to react"
    assert sentence in sentences(told)[1]


@pytest.mark.parametrize(("left_s", "words"), [(720.0, "12 min early"), (-90.0, "2 min late")])
def test_without_a_warning_it_is_measured_by_when_one_was_to_come(
    debrief: Debrief, left_s: float, words: str
) -> None:
    turn = replace(debrief.turn_back, safe_left_s=left_s, warned_s=math.nan)
    assert spare(replace(debrief, turn_back=turn)) == words


@pytest.mark.parametrize(
    ("n", "e", "wanted"),
    [(-5.0, 0.0, 0.0), (0.0, 5.0, 270.0), (5.0, 0.0, 180.0), (1.0, 1.0, 225.0)],
)
def test_wind_blows_from(n: float, e: float, wanted: float) -> None:
    assert from_deg(n, e) == pytest.approx(wanted)


def test_wind_bands_average_vectors() -> None:
    seen = [
        WindSeen(0.0, 90.0, 5.0, 0.0, 0.5, 0.0, 0.0),
        WindSeen(20.0, 95.0, -5.0, 0.0, 0.5, 3, 4),
    ]
    (band,) = _bands(tuple(seen))
    assert (band.low_m, band.high_m) == (80.0, 120.0)
    assert band.met_mps == pytest.approx(0.0)
    assert band.told_mps == pytest.approx(2.5)


def test_page_is_one_file_without_addresses(debrief: Debrief) -> None:
    page = to_html(debrief)
    assert not re.findall(r"""(?:src|href)\s*=\s*["'](?!#)|url\((?!["']?#)|@import|<script""", page)
    assert page.count("<svg") == 5
    assert f"Landed with {debrief.landing_wh:.0f} Wh" in page
    low, high = debrief.landing.low_wh, debrief.landing.high_wh
    assert f"<span>{low:.0f} to {high:.0f} (90 %); " in page  # in the card, too


def test_strings_of_the_recording_are_not_html(debrief: Debrief) -> None:
    odd = replace(debrief, flight=replace(debrief.flight, name="<script>x</script>"))
    assert "<script>" not in to_html(odd)


def test_terminal_fits_its_width(debrief: Debrief) -> None:
    import click

    lines = click.unstyle(render(debrief)).splitlines()
    assert max(map(len, lines)) <= 100


def test_json_has_no_nan(debrief: Debrief) -> None:
    data = json.loads(to_json(debrief), parse_constant=lambda text: pytest.fail(text))
    assert data["delivered_wh"] == pytest.approx(debrief.flown.pack.total_wh, rel=1e-5)
    assert math.fsum(data["causes_wh"].values()) == pytest.approx(data["difference_wh"], abs=0.05)


@pytest.mark.parametrize("keep", [0.2, 0.6])
def test_a_cut_off_recording_is_debriefed_as_far_as_it_goes(
    recorded: Path, keep: float, tmp_path: Path
) -> None:
    data = recorded.read_bytes()
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(data[: int(keep * len(data))])
    result = CliRunner().invoke(command, [str(cut), "--json"], standalone_mode=False)
    told = json.loads(result.output)
    assert any("cut off" in words for words in told["cautions"])
    assert any("ends in the air" in words for words in told["cautions"])
    assert told["forecast"]["quality"]["count"] == 0  # nothing came that could judge them
    assert sum(told["causes_wh"].values()) == pytest.approx(told["difference_wh"], abs=0.05)


def test_a_recording_without_a_flight_is_refused(recorded: Path, tmp_path: Path) -> None:
    ground = tmp_path / "ground.mcap"
    write_recording(ground, Recording(recorded).metadata, trimmed(Recording(recorded), 0.0, 4.0))
    result = CliRunner().invoke(command, [str(ground)], standalone_mode=False)
    assert isinstance(result.exception, InputError)
    assert "never left the ground" in str(result.exception)
