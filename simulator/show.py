"""How decisions are shown while a night is played."""

from typing import Literal


def word_for(kind: Literal["tree", "vent"], *, active: bool) -> str:
    """Return what an output does, in one word."""
    if kind == "tree":
        return "HEAT" if active else "rest"
    return "OPEN" if active else "shut"
