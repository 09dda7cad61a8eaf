"""The debrief as one HTML file: no outside addresses, prints on A4."""

from __future__ import annotations

from importlib import resources

from supervisor.budget.text import ADVICE, clock
from supervisor.debrief import words
from supervisor.debrief.answer import Debrief
from supervisor.debrief.causes import CAUSES


def to_html(d: Debrief) -> str:
    """The whole page; needs the report extra."""
    from jinja2 import Environment
    from markupsafe import Markup

    from supervisor.budget.html import page_style
    from supervisor.debrief import charts

    template = resources.files("supervisor.debrief").joinpath("report.html.j2")
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    environment.filters.update(clock=clock)
    return environment.from_string(template.read_text(encoding="utf-8")).render(
        d=d,
        style=Markup(page_style()),
        advice=ADVICE,
        airborne=d.flown.airborne_s,
        tone=words.tone(d),
        headline=words.headline(d),
        sentences=words.sentences(d),
        figures=_figures(d),
        quality=words.quality(d),
        pack_rows=words.pack_rows(d),
        planned_wh=d.plan.energy_wh(),
        causes=CAUSES[:-1],
        causes_words=" ".join(f"{c.capitalize()}: {words.MEANING[c]}." for c in CAUSES),
        by_leg=[(d.legs[min(leg, len(d.legs) - 1)], row) for leg, row in _legs(d)],
        causes_chart=Markup(charts.draw_causes(d)),
        forecast_chart=Markup(charts.draw_forecast(d)),
        ledger_chart=Markup(charts.draw_ledger(d)),
        wind_chart=Markup(charts.draw_wind(d)),
        pack_chart=Markup(charts.draw_pack(d)),
    )


def _legs(d: Debrief) -> list[tuple[int, dict[str, float]]]:
    return sorted(d.causes.by_leg_wh.items())


def _figures(d: Debrief) -> list[tuple[str, str, str]]:
    """(what, value, remark) of the boxes at the top."""
    p, warned_s = d.pack, d.turn_back.warned_s
    told = f"{warned_s:.0f} s after turn-back-now" if warned_s == warned_s else "no warning came"
    return [
        (
            "landed with",
            f"{d.landing_wh:.0f} Wh",
            f"{words.landing_range(d)} (90 %); {d.above_reserve_wh:+.0f} on the reserve",
        ),
        ("turned", words.spare(d), told),
        ("delivered", f"{p.delivered_wh:.0f} Wh", f"{d.plan.energy_wh():.0f} planned, whole plan"),
        ("lowest cell", f"{p.lowest_cell_v:.3f} V", f"{p.hover_wh:.0f} Wh in hover"),
    ]
