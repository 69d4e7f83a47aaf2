"""Looking into a document that somebody else made: each value is what its documentation promises, or named.

Every error says which field, what was expected there, and what came.
"""

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

import numpy as np

from controller.errors import ShapeError
from controller.physics import FloatArray

_MOST_SHOWN = 60
# Larger numbers are none, and would overflow when squared and summed.
MOST = 1e12


def shown(value: Any) -> str:
    """Return a foreign value safe to print: one short line, long things by their kind and length."""
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, Mapping):
        return f"an object of {len(value)} keys"
    text = "".join(c if c.isprintable() else "?" for c in repr(value)[: _MOST_SHOWN + 1])
    return text if len(text) <= _MOST_SHOWN else text[:_MOST_SHOWN] + "…"


def wrong(field: str, expected: str, came: Any) -> ShapeError:
    """Return the error for one field."""
    return ShapeError(f"{field}: expected {expected}, got {shown(came)}")


def mapping(value: Any, field: str) -> Mapping[str, Any]:
    """Return a JSON object."""
    if not isinstance(value, dict):
        raise wrong(field, "an object", value)
    return value


def sequence(value: Any, field: str) -> list[Any]:
    """Return a JSON array."""
    if not isinstance(value, list):
        raise wrong(field, "an array", value)
    return value


def text(value: Any, field: str) -> str:
    """Return a JSON string."""
    if not isinstance(value, str):
        raise wrong(field, "a text", value)
    return value


def number(value: Any, field: str) -> float:
    """Return a finite JSON number."""
    # written so that NaN fails; beyond the limit no quantity of a forecast lies, not even a time
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < MOST:
        raise wrong(field, "a number", value)
    return float(value)


def column(value: Any, field: str, length: int) -> FloatArray:
    """Return an array of numbers and nulls as floats, null as NaN; it must have ``length`` values."""
    values = sequence(value, field)
    if len(values) != length:
        raise wrong(field, f"{length} values, one for each time", values)
    return np.array(
        [math.nan if v is None else number(v, f"{field}[{i}]") for i, v in enumerate(values)],
        dtype=np.float64,
    )


def instant(value: Any, field: str) -> datetime:
    """Return a time with its offset (RFC 3339) as aware UTC."""
    try:
        at = datetime.fromisoformat(text(value, field))
        if at.tzinfo is not None:
            return at.astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    raise wrong(field, "a time with its offset", value)
