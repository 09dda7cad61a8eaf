"""What pydantic found wrong with a file, told in our words: the first problem, with its key."""

from __future__ import annotations

from pydantic import ValidationError

from supervisor.errors import InputError


def first_problem(error: ValidationError, where: str, *, show_value: bool = False) -> InputError:
    """The first of the errors as one sentence; ``show_value`` where the value is no secret."""
    first = error.errors()[0]
    key = ".".join(str(part) for part in first["loc"]) or "the file"
    value = first["input"]
    shown = f" = {value!r}" if show_value and not isinstance(value, dict) else ""
    return InputError(where, f"{key}{shown}: {first['msg']}")
