"""What pydantic found wrong with a file that a person wrote: key, value, what is allowed."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, get_args

from pydantic import AfterValidator, BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from supervisor.errors import InputError

Location = tuple[int | str, ...]
KINDS = {  # pydantic's error types: what the value should have been
    "float_type": "a number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "string_type": "text in quotes",
    "model_type": "a table, { key = value, ... }",
    "tuple_type": "a list, [ ... ]",
    "path_type": "the name of a file in quotes",
}
SIGNS = {"gt": "above", "ge": "from", "lt": "below", "le": "to"}
LONGEST_VALUE = 60  # characters of a value that are shown


def explain(error: ValidationError, where: str, model: type[BaseModel]) -> InputError:
    """The first problem of a file that is ``model``'s; unknown keys first: they explain others."""
    problems = sorted(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    first = problems[0]
    location, kind, value = first["loc"], first["type"], first["input"]
    key, more = dotted(location), f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    if kind == "extra_forbidden":
        known = _known_keys(model, location[:-1])
        unknown = f"{key}: unknown key{guess(str(location[-1]), known)}{more}"
        return InputError(where, unknown, allowed=", ".join(known))
    if kind == "missing":
        gone = [dotted(p["loc"]) for p in problems if p["type"] == "missing"]
        return InputError(where, f"missing: {', '.join(gone)}")
    if isinstance(value, float) and not math.isfinite(value):
        text = "is no finite number"
    elif kind in KINDS:
        text = f"is not {KINDS[kind]}"
    else:
        text = first["msg"].removeprefix("Value error, ").replace("Input should be", "should be")
    allowed = first.get("ctx", {}).get("expected") or _range(model, location) or KINDS.get(kind, "")
    return InputError(where, f"{key}{_shown(value)}: {text}{more}", allowed=str(allowed))


def guess(text: str, known: Sequence[str]) -> str:
    """``; did you mean 'mass_kg'?``, or nothing where none of ``known`` is near."""
    near = difflib.get_close_matches(text, known, n=1, cutoff=0.5)
    return f"; did you mean {near[0]!r}?" if near else ""


def one_of(known: Sequence[str], what: str) -> AfterValidator:
    """Accepts a text that is one of ``known``; refuses another as an unknown ``what``."""

    def check(text: str) -> str:
        if text not in known:
            problem = f"unknown {what}{guess(text, known)}"
            raise PydanticCustomError(
                "one_of", "{problem}", {"problem": problem, "expected": ", ".join(known)}
            )
        return text

    return AfterValidator(check)


def dotted(location: Location) -> str:
    """route.waypoints[2].height_m; "the file" where it is the whole."""
    text = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in location)
    return text.lstrip(".") or "the file"


def _shown(value: Any) -> str:
    """= 12, or the plain keys of a table; nothing where that would be too long."""
    if isinstance(value, dict):
        plain = {k: v for k, v in value.items() if isinstance(v, str | int | float)}
        text = "{ " + ", ".join(f"{k} = {v!r}" for k, v in plain.items()) + " }"
        return f" = {text}" if plain and len(text) <= LONGEST_VALUE else ""
    text = repr(value)
    return f" = {text}" if len(text) <= LONGEST_VALUE else ""


def _range(model: type[BaseModel], location: Location) -> str:
    """above 0.3 to 150, from the field's own bounds."""
    info = _field(model, location)
    bounds = dict(_bounds([info, *_nested(info.annotation)])) if info else {}
    return " ".join(f"{word} {bounds[sign]:g}" for sign, word in SIGNS.items() if sign in bounds)


def _nested(annotation: Any) -> Iterator[Any]:
    for inner in get_args(annotation):
        yield inner
        yield from _nested(inner)


def _bounds(parts: Iterable[Any]) -> Iterator[tuple[str, float]]:
    for part in parts:
        for mark in [part, *getattr(part, "metadata", ())]:
            yield from ((s, getattr(mark, s)) for s in SIGNS if hasattr(mark, s))


def _field(model: type[BaseModel], location: Location) -> FieldInfo | None:
    names = [part for part in location if isinstance(part, str)]
    section = _model_at(model, tuple(names[:-1]))
    for name, info in section.model_fields.items():
        if names and names[-1] in (name, info.alias):
            return info
    return None


def _known_keys(model: type[BaseModel], location: Location) -> list[str]:
    """The keys that the section at ``location`` has, as they are spelled in the file."""
    return [info.alias or name for name, info in _model_at(model, location).model_fields.items()]


def _model_at(model: type[BaseModel], location: Location) -> type[BaseModel]:
    for part in location:
        if isinstance(part, int):
            continue
        for name, info in model.model_fields.items():
            if part in (name, info.alias):
                model = next(iter(_models_in(info.annotation)), model)
                break
    return model


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _models_in(inner)
