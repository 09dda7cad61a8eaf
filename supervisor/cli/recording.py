"""``homeleg recording``: list, trim, merge, export, strip."""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from supervisor.cli.ranges import Decimal
from supervisor.errors import InputError

if TYPE_CHECKING:
    from supervisor.edge.recording import Recording
    from supervisor.recordings import Summary

FILE = click.Path(path_type=Path)


@click.group(short_help="list, trim, merge, export, strip positions")
def command() -> None:
    """Work on recordings. None of these changes the file it reads."""


@command.command("list")
@click.argument("paths", type=FILE, nargs=-1, required=True)
@click.option("--json", "as_json", is_flag=True, help="for machines")
def list_(paths: tuple[Path, ...], as_json: bool) -> None:
    """What is in these recordings, or in the recordings of these folders."""
    from supervisor.recordings import summarise

    files: list[Path] = []
    for path in paths:
        files += sorted(path.glob("**/*.mcap")) if path.is_dir() else [path]
    found = [summarise(path) for path in files]
    if as_json:
        click.echo(json.dumps([_as_dict(s) for s in found], indent=2))
        return
    for summary in found:
        click.echo(_line(summary))


def _as_dict(s: Summary) -> dict[str, object]:
    from supervisor.flightinside import BESIDE, TEXT

    facts = {k: v for k, v in s.metadata.items() if k != TEXT and not k.startswith(BESIDE)}
    return {
        "path": str(s.path), "bytes": s.size_bytes, "seconds": s.seconds, "messages": s.counts,
        "metadata": facts, "damaged": s.damaged, "complete": s.complete,
    }  # fmt: skip


def _line(s: Summary) -> str:
    from supervisor.recordings import damage_words

    minutes = s.seconds / 60.0
    counts = ", ".join(f"{n} {topic}" for topic, n in sorted(s.counts.items())) or "nothing"
    state = damage_words(s.damaged, s.complete) or "whole"
    return f"{s.path}  {minutes:.1f} min  {s.size_bytes / 1e6:.2f} MB  {state}\n    {counts}"


@command.command()
@click.argument("file", type=FILE)
@click.argument("out", type=FILE)
@click.option("--from", "from_min", type=Decimal(min=0.0), default=0.0, show_default=True,
              help="minutes from the start")  # fmt: skip
@click.option(
    "--to", "to_min", type=Decimal(min=0.0), help="minutes from the start  [default: end]"
)
def trim(file: Path, out: Path, from_min: float, to_min: float | None) -> None:
    """Write the part between two times to OUT."""
    from supervisor.edge.recording import Recording
    from supervisor.recordings import summarise, trimmed, write_recording

    to_min = math.inf if to_min is None else to_min
    if from_min >= to_min:
        raise InputError("--from", f"{from_min:g} is not before --to {to_min:g}")
    recording = Recording(file)
    entries = trimmed(recording, 60.0 * from_min, 60.0 * to_min)
    first = next(entries, None)
    if first is None:
        long = f"0 to {summarise(file).seconds / 60.0:.1f}, in minutes"
        raise InputError(f"{file}: --from", f"nothing lies {from_min:g} min in", allowed=long)
    count = write_recording(out, recording.metadata, itertools.chain([first], entries))
    click.echo(f"{out}: {count} messages")
    _tell_damage({file: recording})


@command.command()
@click.argument("out", type=FILE)
@click.argument("files", type=FILE, nargs=-1, required=True)
def merge(out: Path, files: tuple[Path, ...]) -> None:
    """Write all FILES of one flight to OUT, in order of time, what they share once."""
    from supervisor.edge.recording import Recording
    from supervisor.recordings import merged, write_recording

    recordings = [Recording(path) for path in files]
    count = write_recording(out, recordings[0].metadata, merged(recordings))
    click.echo(f"{out}: {count} messages")
    _tell_damage(dict(zip(files, recordings, strict=True)))


@command.command()
@click.argument("file", type=FILE)
@click.argument("out", type=FILE)
@click.option("--every", "every_s", type=Decimal(min=0.01), default=1.0,
              show_default=True, help="seconds between rows")  # fmt: skip
def export(file: Path, out: Path, every_s: float) -> None:
    """Write a table to OUT: *.csv or *.parquet, by its name. SI units; angles in degrees."""
    from supervisor.debrief.readings import observations
    from supervisor.edge.recording import Recording
    from supervisor.table import rows, write_csv, write_parquet

    writers = {".csv": write_csv, ".parquet": write_parquet}
    if out.suffix not in writers:
        raise InputError(str(out), "is no table", allowed=", ".join(writers))
    recording = Recording(file)
    count = writers[out.suffix](out, rows(observations(recording), every_s))
    click.echo(f"{out}: {count} rows")
    _tell_damage({file: recording})


@command.command()
@click.argument("file", type=FILE)
@click.argument("out", type=FILE)
@click.option("--flight", "flight_file", type=FILE, metavar="FLIGHT.toml",
              help="where home is, when the recording does not say")  # fmt: skip
def strip(file: Path, out: Path, flight_file: Path | None) -> None:
    """Write to OUT without the places, to share: the whole flight moved to 0 N 30 W.

    Names, comments, free text, statuses and acknowledgements are left out; heights, times and
    dates, wind and all figures of aircraft and pack stay. It still replays.
    """
    from supervisor.anonymous import Mover, stripped, stripped_metadata
    from supervisor.edge.recording import Recording
    from supervisor.flightfile import load_flight
    from supervisor.flightinside import TEXT, flight_inside
    from supervisor.recordings import write_recording

    recording = Recording(file)
    if flight_file is None and not recording.metadata.get(TEXT):
        raise click.UsageError(f"{file} carries no flight file; give one with --flight")
    inside = recording.metadata
    flight = load_flight(flight_file) if flight_file else flight_inside(inside, str(file))
    mover = Mover.of(flight)
    facts = stripped_metadata(recording.metadata, mover)
    count = write_recording(out, facts, stripped(recording, mover))
    click.echo(f"{out}: {count} messages")
    _tell_damage({file: recording})


def _tell_damage(read: dict[Path, Recording]) -> None:
    """On standard error, what could not be read of each file."""
    from supervisor.recordings import damage_words

    for path, recording in read.items():
        if words := damage_words(recording.damaged, recording.complete):
            click.echo(f"homeleg: {path}: {words}; everything readable was used", err=True)
