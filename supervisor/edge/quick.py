"""Quick makers for frozen values.

A frozen dataclass fills its fields by ``object.__setattr__``, which for nine fields takes six times
as long as the rest of decoding. A maker fills an unfrozen twin with the same slots and then turns
it into the frozen class: the value is the same in every respect.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, make_dataclass
from typing import Any, TypeVar

Value = TypeVar("Value")


def maker(cls: type[Value]) -> Callable[..., Value]:
    """A constructor for the frozen, slotted dataclass ``cls``; takes all fields, in order."""
    names = [(field.name, field.type) for field in fields(cls)]  # type: ignore[arg-type]
    twin = make_dataclass(cls.__name__, names, slots=True)

    def make(*values: Any) -> Value:
        made: Any = twin(*values)
        made.__class__ = cls
        return made  # type: ignore[no-any-return]

    return make
