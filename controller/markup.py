"""Markup, written as text with gaps; whatever fills a gap is escaped unless it is markup itself.

No template engine: importing one would weigh a twentieth of the page's whole process.
"""

from collections.abc import Iterable
from typing import LiteralString

from markupsafe import Markup

__all__ = ["NOTHING", "Markup", "fill", "lines"]

NOTHING = Markup()


def fill(text: LiteralString, /, **values: object) -> Markup:
    """Return a text of this program's own with its gaps filled."""
    return Markup(text).format(**values)  # noqa: S704 (the text is a literal, and the values are escaped)


def lines(parts: Iterable[Markup]) -> Markup:
    """Return parts one below the other."""
    return Markup("\n").join(parts)
