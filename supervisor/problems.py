"""What pydantic found wrong with a file that no person wrote: the first problem, with its key."""

from __future__ import annotations

from pydantic import ValidationError

from supervisor.errors import InputError


def first_problem(error: ValidationError, where: str) -> InputError:
    """The first of the errors as one sentence."""
    first = error.errors()[0]
    key = ".".join(str(part) for part in first["loc"]) or "the file"
    return InputError(where, f"{key}: {first['msg']}")
