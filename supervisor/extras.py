"""Libraries that only some verbs want: asked for before anything is reckoned, not after it."""

from __future__ import annotations

import re
import sys
from importlib.metadata import PackageNotFoundError, requires, version

from supervisor.errors import InputError


def need(where: str, extra: str) -> None:
    """InputError with what to install when a library of ``extra`` is missing."""
    for name in libraries(extra):
        try:
            version(name)
        except PackageNotFoundError:
            raise InputError(where, f"needs {name}: {how_to_get(extra)}") from None


def libraries(extra: str) -> list[str]:
    """What the extra brings, by name, as the package itself says it."""
    told = [line for line in requires("homeleg") or [] if f'extra == "{extra}"' in line]
    return [re.split(r"[^A-Za-z0-9_.-]", line, maxsplit=1)[0] for line in told]


def how_to_get(extra: str) -> str:
    """For the environment that this very program runs in, which is not always on the path."""
    return f"{sys.executable} -m pip install '.[{extra}]', in your clone of Homeleg"
