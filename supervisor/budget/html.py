"""The report: one HTML file, no outside addresses, two to three A4 pages when printed."""

from __future__ import annotations

import math
from importlib import resources
from typing import Any

from supervisor.budget.answer import Budget, PointOnPlan, Verdict
from supervisor.budget.footprint import footprint
from supervisor.budget.judge import percent
from supervisor.budget.text import ADVICE, WORD, clock, keeps_change, pack_words, points, wind_words
from supervisor.reserves import kept_at_home_wh

TONE = {Verdict.GO: "go", Verdict.CONDITIONS: "conditions", Verdict.NO_GO: "no-go"}


def to_html(budget: Budget) -> str:
    """The whole page; needs the report extra."""
    from jinja2 import Environment
    from markupsafe import Markup

    from supervisor.budget.charts import draw_flight, draw_ledger, draw_map

    template = resources.files("supervisor.budget").joinpath("report.html.j2")
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    environment.filters.update(clock=clock, percent=percent)
    return environment.from_string(template.read_text(encoding="utf-8")).render(
        b=budget,
        style=Markup(page_style()),
        word=WORD[budget.verdict],
        tone=TONE[budget.verdict],
        advice=ADVICE,
        points=points(budget),
        figures=_figures(budget),
        setup=_setup(budget),
        ledger=_ledger(budget),
        kept_wh=kept_at_home_wh(budget.flight.policy),
        keeps=keeps_change((*budget.sensitivity, *budget.measures), budget.flight.policy),
        math=math,
        map=Markup(draw_map(budget, footprint(budget.flight, budget.prior))),
        ledger_chart=Markup(draw_ledger(budget)),
        flight_chart=Markup(draw_flight(budget)),
    )


def page_style() -> str:
    """The look of every report to print; the debrief shares it."""
    return resources.files("supervisor.budget").joinpath("report.css").read_text("utf-8")


def _figures(b: Budget) -> list[tuple[str, str, str]]:
    """(what, value, remark) of the boxes at the top."""
    chances, policy = b.chances, b.flight.policy
    return [
        ("whole plan", percent(chances.completion), "lands with the reserve, voltage held"),
        ("turn back by", *_place(b.turn_back_safe, f"at {100 * policy.confidence:g} %")),
        ("turn back by", *_place(b.turn_back_paper, "on paper, contingency kept")),
        (
            "landing hover",
            f"{chances.hover_v.p50:.2f} V" if b.landing_wh > 0.0 else "empty",
            f"a cell, {chances.hover_v.p05:.2f}..{chances.hover_v.p95:.2f}; "
            f"at least {policy.min_cell_v:g} wanted",
        ),
    ]


def _place(p: PointOnPlan | None, remark: str) -> tuple[str, str]:
    if p is None:
        return "not within plan", remark
    return clock(p.after_s), f"{remark}; {p.distance_home_m / 1000:.1f} km out, leg {p.leg}"


def _setup(b: Budget) -> list[tuple[str, str]]:
    craft, pack, policy, back = (
        b.flight.aircraft, b.flight.pack, b.flight.policy, b.flight.return_plan,
    )  # fmt: skip
    p = b.performance
    wind = b.flight.weather.wind
    winds = "; ".join(
        f"{wind_words(w.n_mps, w.e_mps)} at {w.height_m:g} m after {w.after_s / 3600:g} h"
        for w in wind[:6]
    )
    return [
        (
            "Aircraft",
            f"{craft.name} ({craft.aircraft_id}), {craft.mass_kg:g} kg with {craft.payload_kg:g} "
            f"kg of payload; hover {p.hover_w:.0f} W, cruise {p.cruise_w:.0f} W at "
            f"{craft.cruise_mps:g} m/s, best range at {p.best_range_cas_mps:.1f} m/s",
        ),
        (
            "Pack",
            f"{pack.pack_id}: {pack.series}S{pack.parallel}P {pack.cell.name}, "
            f"{pack.capacity_ah:g} Ah, {pack_words(pack, b.today_wh)}",
        ),
        (
            "Policy",
            f"final reserve {policy.final_reserve_wh:.0f} Wh, contingency "
            f"{100 * policy.contingency:g} %, alternate {policy.alternate_wh:.0f} Wh, missed "
            f"landings {policy.missed_landings}, confidence {100 * policy.confidence:g} %, at "
            f"least {policy.min_cell_v:g} V a cell under load, reaction {policy.reaction_s:g} s",
        ),
        (
            "Return",
            f"{back.style.value} at {back.height_m:g} m and {back.airspeed_mps:g} m/s, landing "
            f"hover {back.landing_hover_s:g} s, with its back-transition reckoned as "
            f"{back.landing_s:.0f} s",
        ),
        (
            "Weather",
            f"air {b.flight.weather.temperature_c:g} °C; wind {winds or 'calm'}; trusted to "
            f"{b.flight.weather.wind_sd_mps:g} m/s a component (1 sigma)",
        ),
        ("Cell figures", pack.cell.source),
    ]


def _ledger(b: Budget) -> list[dict[str, Any]]:
    reserves = ("contingency", "alternate", "final-reserve", "extra")
    total = b.today_wh
    return [
        {
            "name": name.replace("-", " ") if name in reserves else name,
            "wh": wh,
            "share": 100.0 * wh / total,
            "reserve": name in reserves,
        }
        for name, wh in b.ledger_wh
        if abs(wh) >= 0.05
    ]
