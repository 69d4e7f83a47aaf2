"""Frozen dataclasses that are made quickly.

A frozen dataclass sets each field by a call of ``object.__setattr__``, which for a decision record takes
three times as long as all else about it.  ``quick`` gives such a class another ``__init__``: it fills the
fields of an open twin of the same layout and then makes it the frozen class.  For what is made at every
message and at every look.
"""

from dataclasses import MISSING, fields
from typing import Any, TypeVar

T = TypeVar("T")


def quick(cls: type[T]) -> type[T]:
    """Return a frozen dataclass with slots and keywords only, made quickly from now on.

    Raises
    ------
    TypeError
        It is none, has a base or a ``__post_init__``, or makes a default anew for each instance.
    """
    known = fields(cls)  # type: ignore[arg-type]  # that is a TypeError too
    names = tuple(field.name for field in known)
    settings: Any = vars(cls)["__dataclass_params__"]
    if not settings.frozen or vars(cls).get("__slots__") != names or not all(each.kw_only for each in known):
        message = f"{cls.__name__} is not frozen, with slots for its own fields and keywords only"
        raise TypeError(message)
    if hasattr(cls, "__post_init__") or any(each.default_factory is not MISSING for each in known):
        message = f"{cls.__name__} makes something anew for each instance"
        raise TypeError(message)
    given = ", ".join(
        each.name if each.default is MISSING else f"{each.name}=defaults[{each.name!r}]" for each in known
    )
    lines = (
        f"def __init__(self, *, {given}):",
        "    become(self, '__class__', twin)",
        *(f"    self.{name} = {name}" for name in names),
        "    self.__class__ = cls",
    )
    space: dict[str, Any] = {
        "become": object.__setattr__,
        "cls": cls,
        "twin": type(cls.__name__, (), {"__slots__": names}),
        "defaults": {each.name: each.default for each in known},
    }
    exec("\n".join(lines), space)  # noqa: S102 (as the module dataclasses does; names are those of fields)
    space["__init__"].__qualname__ = f"{cls.__qualname__}.__init__"
    space["__init__"].__annotations__ = cls.__init__.__annotations__
    setattr(cls, "__init__", space["__init__"])  # noqa: B010 (to mypy a method is not assigned to)
    return cls
