"""The flight file inside a recording, with the files that it names.

A flight file may name a discharge curve, or a route drawn elsewhere. A recording carries their
texts beside its own, under ``beside/NAME``, so that it can be replayed where they are not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from supervisor.core import plan
from supervisor.errors import InputError
from supervisor.flightfile import parse_file, parse_flight

TEXT, BESIDE = "flight_file", "beside/"


def packed(path: Path) -> dict[str, str]:
    """Metadata of a recording: the flight file at ``path``, and what it names, by bare names.

    Raises ``InputError`` where a named file cannot be read.
    """
    text = path.read_text(encoding="utf-8-sig")
    file = parse_file(text, str(path))
    inside: dict[str, str] = {}
    for named in (file.pack.curve, file.route.geojson):
        if named is None:
            continue
        try:
            inside[BESIDE + named.name] = (path.parent / named).read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(str(path.parent / named), f"cannot be read: {error}") from None
        text = text.replace(str(named), named.name)
    return {TEXT: text, **inside}


@contextmanager
def unpacked(metadata: Mapping[str, str]) -> Iterator[Path]:
    """A folder in which the files lie that the flight file inside names."""
    beside = {k.removeprefix(BESIDE): v for k, v in metadata.items() if k.startswith(BESIDE)}
    with TemporaryDirectory(prefix="homeleg-") as folder:
        for name, text in beside.items():
            (Path(folder) / Path(name).name).write_text(text, encoding="utf-8")
        yield Path(folder)


def flight_inside(metadata: Mapping[str, str], where: str) -> plan.Flight:
    """The flight of the file inside; ``where`` names it in errors."""
    with unpacked(metadata) as folder:
        return parse_flight(metadata.get(TEXT, ""), where, folder)
