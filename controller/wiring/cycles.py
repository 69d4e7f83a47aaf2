"""Rings in a mapping: who stands in whose place."""

from collections.abc import Mapping


def cycles(moved: Mapping[str, str]) -> list[tuple[str, ...]]:
    """Return each ring of a mapping, from its first key on; what leads into none is left out."""
    found: list[tuple[str, ...]] = []
    for first in moved:
        ring = [first]
        while (following := moved.get(ring[-1], "")) and following not in ring:
            ring.append(following)
        if following == first and not any(first in known for known in found):
            found.append(tuple(ring))
    return found
