"""``homeleg campaign``: many simulated flights, each judged by its own truth."""

from __future__ import annotations

import json
import sys
from importlib.metadata import version
from pathlib import Path
from typing import Any

import click

from supervisor.cli.judged import judged
from supervisor.errors import InputError

HEAD = (
    "flights", "with_t_star", "late", "late_rate", "late_rate_interval", "efficiency_p05",
    "efficiency_p50", "false_alarms_per_h", "unavoidable",
)  # fmt: skip


@click.command(short_help="many simulated flights, judged by their truth")
@click.option("--flights", type=click.IntRange(min=1), default=60, show_default=True)
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True,
              help="everything random comes from it")  # fmt: skip
@click.option("--scenario", "scenarios", multiple=True, metavar="NAME",
              help="only these; may be repeated  [default: all]")  # fmt: skip
@click.option("--workers", type=click.IntRange(min=1), help="processes  [default: all cores]")
@click.option("--scheduler", metavar="ADDRESS", help="fly on this Dask cluster instead")
@click.option("--bound", type=click.IntRange(min=0), default=0, show_default=True,
              help="so many flights also fly the perfect-knowledge bound (slow)")  # fmt: skip
@click.option("--futures", type=click.IntRange(min=3), default=12, show_default=True,
              help="fresh futures for each of them")  # fmt: skip
@click.option("--verify", type=click.IntRange(min=0), default=100, show_default=True,
              help="runs of the published 2-to-3-minute verification")  # fmt: skip
@click.option("--members", type=click.IntRange(min=20), default=200, show_default=True)
@click.option("--points", type=click.IntRange(min=5), default=30, show_default=True)
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              default=Path("campaign"), show_default=True,
              help="results; a campaign cut off there is resumed")  # fmt: skip
@click.option("--truths", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="an earlier campaign of the same seeds and simulator: what it found true is not "
                   "searched for again")  # fmt: skip
@judged("the table")
@click.option("--json", "as_json", is_flag=True, help="the table on standard output")
def command(
    flights: int,
    seed: int,
    scenarios: tuple[str, ...],
    workers: int | None,
    scheduler: str | None,
    bound: int,
    futures: int,
    verify: int,
    members: int,
    points: int,
    out: Path,
    truths: Path | None,
    expect_file: Path | None,
    junit: Path | None,
    summary: Path | None,
    as_json: bool,
) -> int:
    """Fly FLIGHTS flights of the simulator and judge every alert by the truth.

    Results go to DIR: results.jsonl and alarms.jsonl (one line a flight or run, seeds recorded;
    what is there is not flown again), flights and checks as Parquet (CSV without pyarrow),
    table.json, campaign.png and campaign.html. Exit 0 when the flights were flown, 1 when some
    failed or something is not as expected.
    """
    from sim import crew

    expected = None
    if expect_file is not None:
        from supervisor.expect import load_expected

        expected = load_expected(expect_file)
    names = _known(scenarios)
    tasks = crew.tasks_of(
        flights, seed, names, members=members, points=points, bound=bound, futures=futures
    )
    if truths is not None:
        tasks = crew.with_truths(tasks, truths / "results.jsonl")
    out.mkdir(parents=True, exist_ok=True)
    hands = crew.Hands(workers, scheduler)
    with _Bar(flights, "flights") as bar:
        records = crew.run(tasks, out / "results.jsonl", hands, bar.show)
    with _Bar(verify, "verification") as bar:
        alarms = crew.alarms(verify, seed, out / "alarms.jsonl", hands, bar.show)
    from sim.scoring import table

    full = table(records, alarms)
    failed = full["failed"] = len(tasks) - len(records)
    settings = {
        "flights": flights, "seed": seed, "first_flight_seed": tasks[0].seed,
        "scenarios": " ".join(names), "members": members, "points": points, "bound": bound,
        "futures": futures, "verify": verify, "homeleg": version("homeleg"),
    }  # fmt: skip
    _write(out, full, records, settings)
    _say(full, out, as_json)
    if expected is not None:
        from sim.campaign_report import plain
        from supervisor.cli.gate import report
        from supervisor.expect import flat, judge_figures

        checks = judge_figures(expected, flat(plain(full)))
        failed += report(checks, "campaign", [], junit, summary)
    return 1 if failed else 0


def _known(scenarios: tuple[str, ...]) -> list[str]:
    from sim.scenario import names

    there = names()
    for name in scenarios:
        if name not in there:
            raise InputError(f"--scenario {name}", "no such scenario", allowed=", ".join(there))
    return list(scenarios) or there


class _Bar:
    """A progress line on standard error; nothing when that is not a terminal."""

    def __init__(self, total: int, label: str) -> None:
        self._bar: Any = click.progressbar(length=total, label=label, file=sys.stderr)
        self._shown = 0

    def __enter__(self) -> _Bar:
        self._bar.__enter__()
        return self

    def __exit__(self, *error: object) -> None:
        self._bar.__exit__(*error)

    def show(self, done: int, total: int) -> None:  # noqa: ARG002
        self._bar.update(done - self._shown)
        self._shown = done


def _write(out: Path, full: dict[str, Any], records: Any, settings: dict[str, Any]) -> None:
    from sim import campaign_plots, campaign_report

    campaign_report.write_tables(records, out)
    text = json.dumps(campaign_report.plain({"settings": settings, **full}), indent=1)
    (out / "table.json").write_text(text, encoding="utf-8")
    picture = None
    try:
        picture = campaign_plots.draw(full, records)
        (out / "campaign.png").write_bytes(picture)
    except ImportError:
        click.echo("campaign: no pictures without the campaign extra (matplotlib)", err=True)
    page = campaign_report.page(full, picture, settings)
    (out / "campaign.html").write_text(page, encoding="utf-8")


def _say(full: dict[str, Any], out: Path, as_json: bool) -> None:
    from sim.campaign_report import plain

    if as_json:
        click.echo(json.dumps(plain(full)))
    else:
        _show(full, out)


def _show(full: dict[str, Any], out: Path) -> None:
    for name in HEAD:
        click.echo(f"{name:22} {_short(full[name])}")
    click.echo("\nconfidence   late rate                efficiency p05, p50")
    for row in full["operating_curve"]:
        click.echo(f"{100 * row['confidence']:8.4g} %   {_curve(row)}")
    click.echo("\nsimple rules, late as seldom")
    for name, row in full["baselines"].items():
        click.echo(f"{name:22} {_curve(row) if row else 'none of its thresholds'}")
    click.echo("\nbounds")
    for name in ("clairvoyant", "bound"):
        click.echo(f"{name:22} {_curve(full[name]) if full[name] else 'not flown (--bound)'}")
    click.echo(f"\npictures and tables: {out}/campaign.html")


def _curve(row: dict[str, Any]) -> str:
    low, high = row["late_rate_interval"]
    late = f"{row['late_rate']:.3f} ({low:.3f} to {high:.3f})"
    return f"{late}   {_short(row['efficiency_p05'])}, {_short(row['efficiency_p50'])}"


def _short(value: Any) -> str:
    if isinstance(value, list):
        return " to ".join(_short(v) for v in value)
    return f"{value:.3f}" if isinstance(value, float) else str(value)
