"""Readings in other layouts than the contract's own: found by a JSON Pointer, or sent as SenML."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from pydantic import ValidationError
from pydantic_core import from_json

from controller.bus.messages import LARGEST_PAYLOAD_BYTES, ProbePayload, read
from controller.errors import MessageError

# RFC 8428 section 4.4: the version this reads; a sender of a newer one says so.
_SENML_VERSION = 10
# RFC 8428 section 4.5.3: a smaller time counts from now, another from 1970.
_SENML_ABSOLUTE_S = 2.0**28
# RFC 6901 section 4: no sign, no leading zero.  No payload holds an array with more places.
_INDEX = re.compile(r"0|[1-9][0-9]{0,3}", re.ASCII)


def read_probe(payload: bytes, pointer: str | None = None) -> ProbePayload:
    """Return a reading in the contract's form, as SenML, or where a pointer finds it.

    Parameters
    ----------
    payload : bytes
        UTF-8 JSON of at most 4 kB.  SenML holds exactly one temperature, in "Cel".
    pointer : str, optional
        A JSON Pointer to the temperature [°C], a number or null; "" is the whole payload.

    Raises
    ------
    MessageError
        If there is no such reading; the text says what came instead.

    References
    ----------
    RFC 6901, JavaScript Object Notation (JSON) Pointer, sections 3 and 4.
    RFC 8428, Sensor Measurement Lists (SenML), sections 4 and 5.

    """
    if pointer is not None:
        return _reading(_found(_json(payload), pointer), None)
    if payload[:1] == b"[":
        return _from_senml(_json(payload))
    return read(ProbePayload, payload)


def _json(payload: bytes) -> Any:
    if len(payload) > LARGEST_PAYLOAD_BYTES:
        raise MessageError(f"{len(payload)} bytes; at most {LARGEST_PAYLOAD_BYTES} are read")
    try:
        return from_json(payload, allow_inf_nan=False)
    except ValueError as error:
        raise MessageError(f"not JSON: {error}") from None


def _found(document: Any, pointer: str) -> Any:
    """Return what a JSON Pointer finds in a document."""
    if pointer and not pointer.startswith("/"):
        raise MessageError(f"a JSON Pointer is empty or begins with '/', not as '{pointer}' does")
    place = document
    for token in pointer.split("/")[1:]:
        key = token.replace("~1", "/").replace("~0", "~")  # in this order, so that '~01' becomes '~1'
        try:
            place = _step(place, key)
        except LookupError:
            raise MessageError(f"there is nothing at '{pointer}'") from None
    return place


def _step(place: Any, key: str) -> Any:
    match place:
        case dict():
            return place[key]
        case list() if _INDEX.fullmatch(key):
            return place[int(key)]
    raise KeyError(key)


def _from_senml(records: list[Any]) -> ProbePayload:
    temperatures = [record for record in _resolved(records) if record.get("u") == "Cel"]
    if len(temperatures) != 1:
        raise MessageError(f"SenML with one value in 'Cel' is read here, not with {len(temperatures)}")
    (record,) = temperatures
    return _reading(record["v"], _senml_time(record["t"]))


def _resolved(records: list[Any]) -> Iterator[dict[str, Any]]:
    """Yield the records that hold a number, with the base fields worked in (RFC 8428 section 4.6)."""
    base: dict[str, Any] = {}
    for record in records:
        if not isinstance(record, dict):
            raise MessageError("SenML is a list of records")
        strange = [key for key in record if key.endswith("_")]
        if strange:  # section 4.4: whoever does not understand such a field must not read the rest
            raise MessageError(f"SenML field '{strange[0]}' must be understood, and is not")
        base |= {key: value for key, value in record.items() if key in {"bt", "bu", "bv", "bver"}}
        if _number(base, "bver", _SENML_VERSION) > _SENML_VERSION:
            raise MessageError(f"SenML version {base['bver']} is newer than {_SENML_VERSION}")
        if "v" in record:
            yield {
                "u": record.get("u", base.get("bu")),
                "v": _number(record, "v") + _number(base, "bv"),
                "t": _number(record, "t") + _number(base, "bt"),
            }


def _number(record: dict[str, Any], key: str, default: float = 0.0) -> float:
    value = record.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise MessageError(f"SenML field '{key}' is a number, not {value!r:.40}")
    try:
        return float(value)
    except OverflowError:
        raise MessageError(f"SenML field '{key}' is too large a number") from None


def _senml_time(time_s: float) -> datetime | None:
    if time_s == 0.0:
        return None  # now
    if not time_s >= _SENML_ABSOLUTE_S:
        raise MessageError(f"a reading of {time_s:g} s from now; send it when it is taken")
    try:
        return datetime.fromtimestamp(time_s, UTC)
    except (OverflowError, ValueError, OSError):
        raise MessageError(f"SenML time {time_s:g} s lies outside the calendar") from None


def _reading(temp_c: Any, at: datetime | None) -> ProbePayload:
    try:
        return ProbePayload(temp_c=temp_c, at=at)
    except ValidationError:
        raise MessageError(f"a finite number of °C was expected, not {temp_c!r:.40}") from None
