"""Quick makers for frozen values.

A frozen dataclass fills its fields by ``object.__setattr__``, which for nine fields takes six times
as long as the rest of decoding. A maker fills an unfrozen twin with the same slots and then turns
it into the frozen class: the value is the same in every respect. It is written out field by field,
as ``dataclasses`` writes a constructor, because a third of a constructor's time is being called.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, make_dataclass
from typing import Any, TypeVar

Value = TypeVar("Value")


def maker(cls: type[Value]) -> Callable[..., Value]:
    """A constructor for the frozen, slotted dataclass ``cls``; takes all fields, in order."""
    names = [field.name for field in fields(cls)]  # type: ignore[arg-type]
    twin = make_dataclass(cls.__name__, names, slots=True)
    lines = [
        f"def make({', '.join(names)}):",
        "made = new(twin)",
        *(f"made.{name} = {name}" for name in names),
        "made.__class__ = cls",
        "return made",
    ]
    scope: dict[str, Any] = {"new": object.__new__, "twin": twin, "cls": cls}
    exec("\n    ".join(lines), scope)
    make: Callable[..., Value] = scope["make"]
    return make
