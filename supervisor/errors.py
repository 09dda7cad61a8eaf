"""The few exceptions of our own.

::

    HomelegError
     +- InputError      what the user gave is wrong: file, key, value, what is allowed; exit 2
     +- LinkError       an address that cannot be opened or parsed; exit 2
"""

from __future__ import annotations


class HomelegError(Exception):
    """Base of everything Homeleg raises on purpose."""


class InputError(HomelegError):
    """Something the user gave is wrong. Its text names where, what, and what is allowed."""

    def __init__(self, where: str, problem: str, *, allowed: str = "") -> None:
        self.where = where
        self.problem = problem
        self.allowed = allowed
        super().__init__(f"{where}: {problem}" + (f" (allowed: {allowed})" if allowed else ""))


class LinkError(InputError):
    """A link or broker address that cannot be understood or opened."""
