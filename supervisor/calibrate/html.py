"""The calibration with its residual plots as one HTML page, in the look of the other reports."""

from __future__ import annotations

from typing import Any

from supervisor.calibrate.figures import Calibration
from supervisor.calibrate.text import ADVICE, beside_debriefs, digits_of

PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ c.flight.aircraft.name }}: calibration</title><style>{{ style }}</style></head>
<body><main>
<h1>{{ c.flight.aircraft.name }}, pack {{ c.flight.pack.pack_id }}</h1>
<p class="faint">Figures fitted from {{ c.flights }} flight{{ "s" if c.flights > 1 }},
{{ c.power.fit.weights|length }} blocks of steady flight.</p>
<div class="scroll"><table><thead><tr><th class="l">figure</th><th>old</th><th>new</th>
<th>95 % interval</th><th class="l">remark</th></tr></thead><tbody>
{% for f in c.figures %}{% set d = digits(f) %}<tr><td class="l">{{ f.name }}</td>
<td>{{ "%.*f"|format(d, f.old) }}</td><td>{{ "%.*f"|format(d, f.new) }}</td>
<td>{{ "%.*f – %.*f"|format(d, f.low, d, f.high) }} {{ f.unit }}</td>
<td class="l wrap">{{ f.doubt or ("the old figure lies outside" if f.old < f.low or f.old > f.high
else "") }}</td></tr>{% endfor %}</tbody></table></div>
<p>{{ beside }}</p>
<h2>Old and new</h2><figure>{{ figures }}
<figcaption>Bars: 95 % intervals, relative to the old figure (line at 0). Hollow: not determined.
</figcaption></figure>
<h2>What is left over: power</h2><figure>{{ power }}
<figcaption>Measured less fitted power of every block. Crosses count for less than half (outliers).
</figcaption></figure>
<h2>What is left over: voltage</h2><figure>{{ volts }}
<figcaption>Fitted less measured voltage of the mean cell. A slow wave is the table's error, and is
allowed for.</figcaption></figure>
<p class="caution"><b>Caution.</b> {{ advice }}</p>
</main></body></html>
"""


def to_html(c: Calibration) -> str:
    """The whole page; needs the report extra."""
    from jinja2 import Environment
    from markupsafe import Markup

    from supervisor.budget.html import page_style

    return (
        Environment(autoescape=True)
        .from_string(PAGE)
        .render(
            c=c,
            style=Markup(page_style()),
            digits=digits_of,
            advice=ADVICE,
            beside=beside_debriefs(c),
            figures=Markup(_draw(c, _intervals, 0.28 * len(c.figures) + 0.6)),
            power=Markup(_draw(c, _power, 2.6)),
            volts=Markup(_draw(c, _volts, 2.4)),
        )
    )


def _draw(c: Calibration, draw: Any, height_in: float) -> str:
    import matplotlib
    from matplotlib.figure import Figure

    from supervisor.budget.charts import GRID, STYLE, to_svg

    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(7.3, height_in), layout="constrained")
        axes = figure.add_subplot()
        draw(axes, c)
        axes.grid(color=GRID, linewidth=0.6)
        axes.set_axisbelow(True)
        return to_svg(figure)


def _intervals(axes: Any, c: Calibration) -> None:
    from supervisor.budget.charts import INK, OUT

    shares = [f for f in reversed(c.figures) if f.old]  # of nothing there are no per cent
    for k, f in enumerate(shares):
        scale = 100.0 / f.old
        low, new, high = (scale * (v - f.old) for v in (f.low, f.new, f.high))
        axes.plot([low, high], [k, k], color=OUT, linewidth=3.0, alpha=0.3 if f.doubt else 0.75)
        face = "white" if f.doubt else OUT
        axes.plot([new], [k], "o", markersize=5, markerfacecolor=face, markeredgecolor=OUT)
    axes.axvline(0.0, color=INK, linewidth=0.9)
    axes.set_xlim(-45.0, 45.0)
    axes.set_yticks(range(len(shares)), [f.name for f in shares])
    axes.tick_params(axis="y", length=0, labelcolor=INK)
    axes.set_xlabel("% of the old figure")


def _power(axes: Any, c: Calibration) -> None:
    from supervisor.budget.charts import HOME, INK, OUT

    rows, weights = c.power.blocks, c.power.fit.weights
    off = 100.0 * (rows.power_w / c.power.model_w - 1.0)
    for hover, colour, label in ((0.0, OUT, "wing"), (1.0, HOME, "hover")):
        for good, marker in ((True, "."), (False, "x")):
            keep = (rows.hover == hover) & ((weights >= 0.5) == good)
            axes.plot(
                c.power.model_w[keep], off[keep], marker,
                color=colour, markersize=5, label=label if good else None,
            )  # fmt: skip
    axes.axhline(0.0, color=INK, linewidth=0.8)
    axes.set_xlabel("fitted power, W")
    axes.set_ylabel("measured over fitted, %")
    axes.legend(frameon=False)


def _volts(axes: Any, c: Calibration) -> None:
    from supervisor.budget.charts import INK

    for k, residual in enumerate(c.pack.residual_v):
        axes.plot(1000.0 * residual, linewidth=1.0, label=f"flight {k + 1}")
    axes.axhline(0.0, color=INK, linewidth=0.8)
    axes.set_xlabel("readings, one each ten seconds")
    axes.set_ylabel("mV a cell")
    if len(c.pack.residual_v) > 1:
        axes.legend(frameon=False, ncols=4)
