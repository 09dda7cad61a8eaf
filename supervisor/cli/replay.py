"""``homeleg replay``: a recording through the same core, fast; the same advisories come out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from supervisor.cli.judged import judged
from supervisor.cli.ranges import whole
from supervisor.daemonfile import ForecastSection
from supervisor.errors import InputError

if TYPE_CHECKING:
    from supervisor.core.plan import Flight
    from supervisor.edge.recording import Recording
    from supervisor.messages import Advisory, Status

STATUS_EVERY_S = 10.0


@click.command(short_help="a recording through the same core, fast")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--flight", "flight_file", type=click.Path(path_type=Path), metavar="FLIGHT.toml",
              help="another flight file than the one in the recording")  # fmt: skip
@click.option("--what-if", "changes", multiple=True, metavar="KEY=VALUE",
              help="change one value of the flight file: policy.confidence=0.9, "
                   "pack.capacity_ah=17.5, wind=270/8; may be repeated")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="one JSON object a line")
@click.option("--status", is_flag=True, help="also one status each 10 s of flight")
@click.option("--members", type=whole(ForecastSection, "members"),
              help="ensemble size  [default: as recorded]")  # fmt: skip
@click.option("--seed", type=whole(ForecastSection, "seed"),
              help="seed of the ensemble  [default: as recorded]")  # fmt: skip
@judged("what came")
def command(
    file: Path,
    flight_file: Path | None,
    changes: tuple[str, ...],
    as_json: bool,
    status: bool,
    members: int | None,
    seed: int | None,
    expect_file: Path | None,
    junit: Path | None,
    summary: Path | None,
) -> int:
    """Run recording FILE through the core and print the advisories it leads to.

    With the recording's own flight file (kept inside it) these are, byte for byte, the advisories
    that were published in flight. Another flight file, or --what-if, answers "what if".

    Exit status: 0, or with --expect 1 when an expectation is not met.
    """
    from supervisor.edge.recording import Recording
    from supervisor.expect import load_expected
    from supervisor.recordings import damage_words
    from supervisor.replay import replay

    if (junit or summary) and expect_file is None:
        raise click.UsageError("--junit and --summary go with --expect")
    expected = load_expected(expect_file) if expect_file is not None else None
    recording = Recording(file)
    flight = _flight(recording, file, flight_file, changes)
    messages = _shown(replay(recording, flight, _effort(recording, members, seed)), as_json, status)
    if expected is None:
        heard = list(messages)
        if changes or flight_file:
            _compare(recording, heard)
        code = 0
    else:
        from supervisor.cli.gate import judge_replay

        code = judge_replay(recording, flight, messages, expected, file.name, junit, summary)
    if words := damage_words(recording.damaged, recording.complete):
        click.echo(f"homeleg: {file}: {words}; everything readable was used", err=True)
    return code


def _flight(
    recording: Recording, file: Path, flight_file: Path | None, changes: tuple[str, ...]
) -> Flight:
    """The recording's own flight file or another one, changed as asked."""
    from supervisor.flightinside import TEXT, unpacked
    from supervisor.whatif import changed_flight

    if flight_file is None:
        text = recording.metadata.get(TEXT, "")
        if not text:
            raise click.UsageError(f"{file} carries no flight file; give one with --flight")
        with unpacked(recording.metadata) as folder:
            return changed_flight(text, changes, folder, f"{file} (flight file inside)")
    try:
        text = flight_file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(str(flight_file), f"cannot be read: {error}") from None
    return changed_flight(text, changes, flight_file.parent, str(flight_file))


def _effort(recording: Recording, members: int | None, seed: int | None) -> ForecastSection:
    from supervisor.replay import recorded_effort

    changes = {"members": members, "seed": seed}
    return ForecastSection(
        **recorded_effort(recording).model_dump()
        | {k: v for k, v in changes.items() if v is not None}
    )


def _shown(
    messages: Iterable[Advisory | Status], as_json: bool, status: bool
) -> Iterator[Advisory | Status]:
    """The same messages, printed on their way: every advisory, and now and then a status."""
    from supervisor.messages import Status
    from supervisor.replay import pretty

    next_status_s = 0.0
    for message in messages:
        show = True
        if isinstance(message, Status):
            show = status and message.t >= next_status_s
            if show:
                next_status_s = message.t - message.t % STATUS_EVERY_S + STATUS_EVERY_S
        if show:
            click.echo(message.payload().decode() if as_json else pretty(message))
        yield message


def _compare(recording: Recording, changed: list[Advisory | Status]) -> None:
    """When each alert came in flight and when it would have come; nothing for bare frames."""
    from pydantic import ValidationError

    from supervisor.messages import Advisory
    from supervisor.replay import clock_text
    from supervisor.whatif import compared

    flown = []
    for _, _, data in recording.messages({"advisory"}):
        try:
            flown.append(Advisory.model_validate_json(data))
        except ValidationError:
            continue
    if not flown:
        return
    click.echo(f"\n{'':36} {'as flown':>9} {'what if':>9}", err=True)
    for condition, level, before, after in compared(
        flown, [m for m in changed if isinstance(m, Advisory)]
    ):
        times = [clock_text(t) if t is not None else "–" for t in (before, after)]
        click.echo(f"{condition:26} {level:9} {times[0]:>9} {times[1]:>9}", err=True)
