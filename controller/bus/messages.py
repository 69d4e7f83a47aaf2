"""Payloads of the bus contract, version 1: strict models, and one way in and one way out.

A payload is UTF-8 JSON of at most 4 kB.  ``read`` is the only door: what it lets through is finite, typed
and complete; anything else is a ``MessageError`` whose text names the fault.
"""

import json
from datetime import datetime
from typing import Annotated, Any, Literal, NoReturn, TypeVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from controller.errors import MessageError

LARGEST_PAYLOAD_BYTES = 4096
# A lease may not outlive this, whatever it says: 300 s at 10 K/h of cooling is 0.8 K.
LONGEST_LEASE_S = 300.0

# Beyond what any meter means; far below where a float loses count.
LARGEST_NUMBER = 1e6

ShortId = Annotated[str, Field(min_length=1, max_length=64)]


class Payload(BaseModel):
    """The common form of all payloads."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    def to_json(self) -> bytes:
        """Return the payload as it goes on the bus."""
        return self.model_dump_json(exclude_none=True).encode()


class ProbePayload(Payload):
    """A reading.  ``at`` may be left out by a board without a clock."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True, allow_inf_nan=False)

    temp_c: float | None
    at: AwareDatetime | None = None
    rh_pct: float | None = Field(default=None, ge=0, le=110)


class PowerPayload(Payload):
    """What a circuit draws."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True, allow_inf_nan=False)

    power_w: float = Field(ge=-10, le=1e5)
    at: AwareDatetime | None = None


class LeasePayload(Payload):
    """What a board may do for ``ttl_s`` seconds: heaters in ``off`` may be off, vents in ``vent`` may move.

    ``session`` names the controller's run and ``boot`` quotes the board's own, so that a lease recorded
    earlier means nothing to a board that has restarted since; ``seq`` rises by one with each lease.
    ``echo_uptime_s`` quotes the ``uptime_s`` of the latest echo heard, so that the board can tell by its own
    timer how old the knowledge behind the lease is; left out, only ``boot`` and ``seq`` protect it.
    """

    session: ShortId
    boot: ShortId
    seq: int = Field(ge=1)
    ttl_s: float = Field(gt=0, le=LONGEST_LEASE_S)
    echo_uptime_s: float | None = Field(default=None, ge=0)
    off: tuple[ShortId, ...] = Field(default=(), max_length=64)
    vent: tuple[ShortId, ...] = Field(default=(), max_length=64)


class EchoPayload(Payload):
    """What a board's outputs do: ``on`` lists heaters that heat and vents away from their rest."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True, allow_inf_nan=False)

    boot: ShortId
    session: ShortId | None = None
    seq: int = Field(default=0, ge=0)
    at: AwareDatetime | None = None
    on: tuple[ShortId, ...] = Field(default=(), max_length=64)
    reset_reason: str = Field(default="", max_length=80)
    uptime_s: float = Field(default=0.0, ge=0)


class AlivePayload(Payload):
    """A client's birth (``alive``) or will."""

    session: ShortId
    alive: bool


class HandPayload(Payload):
    """A person's order; it always ends."""

    who: str = Field(min_length=1, max_length=40)
    tree: ShortId | None = None
    vent: ShortId | None = None
    all: Literal[True] | None = None
    order: Literal["hand-on", "hand-off", "auto"]
    until: AwareDatetime
    version: int = Field(default=0, ge=0)


class AnswerPayload(Payload):
    """What the guard says to a person's order."""

    order: str
    accepted: bool
    because: str


class DecisionPayload(Payload):
    """A decision record, as published and kept."""

    kind: Literal["tree", "vent"]
    name: str
    at: datetime
    active: bool
    reason: str
    because: str
    temp_c: float | None = None
    limit_c: float | None = None


class OutputStatus(Payload):
    """One tree's heat or one vent, as it stands: decided, and what the boards echo of it."""

    kind: Literal["tree", "vent"]
    name: str
    active: bool
    echoed_on: int
    channels: int
    reason: str
    because: str
    temp_c: float | None = None
    limit_c: float | None = None


class BoardStatus(Payload):
    """One board, as the controller sees it."""

    name: str
    heard: bool
    confirmed: bool
    heard_ago_s: float | None = None


class StatusPayload(Payload):
    """The controller's whole picture, retained for pages; never a command."""

    at: datetime
    session: str
    outputs: tuple[OutputStatus, ...]
    boards: tuple[BoardStatus, ...]
    probes_c: dict[str, float]
    outlook: str
    notices: tuple[str, ...] = ()


P = TypeVar("P", bound=Payload)


def read(kind: type[P], payload: bytes) -> P:
    """Return a payload as its model; raise ``MessageError`` naming every fault."""
    if len(payload) > LARGEST_PAYLOAD_BYTES:
        raise MessageError(f"{len(payload)} bytes; at most {LARGEST_PAYLOAD_BYTES} are read")
    try:
        return kind.model_validate_json(payload)
    except ValidationError as error:
        faults = "; ".join(
            f"{'.'.join(str(part) for part in fault['loc']) or 'payload'}: {fault['msg']}"
            for fault in error.errors(include_url=False, include_context=False, include_input=False)[:5]
        )
        raise MessageError(faults) from None


def read_probe(payload: bytes, pointer: str | None) -> ProbePayload:
    """Return a reading; raise ``MessageError`` naming the fault.

    Parameters
    ----------
    payload
        The contract's own form, or a SenML record or pack (RFC 8428) of temperatures in "Cel".
    pointer
        Where the temperature stands in a payload of another make: a JSON Pointer (RFC 6901); None for the
        contract's form.
    """
    if pointer is None and payload[:1] != b"[":
        return read(ProbePayload, payload)
    document = _document(payload)
    return _of_senml(document) if pointer is None else ProbePayload(temp_c=_number(_at(document, pointer)))


def _document(payload: bytes) -> Any:
    if len(payload) > LARGEST_PAYLOAD_BYTES:
        raise MessageError(f"{len(payload)} bytes; at most {LARGEST_PAYLOAD_BYTES} are read")
    try:
        return json.loads(payload.decode(), parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise MessageError(f"payload: not JSON ({type(error).__name__})") from None


def _no_number(name: str) -> NoReturn:
    raise ValueError(name)


def _number(value: Any) -> float | None:
    """Return a JSON number, or None for null; nothing else passes for one."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < LARGEST_NUMBER:
        raise MessageError("expected a number of °C, got something else")
    return float(value)


def _at(document: Any, pointer: str) -> Any:
    """Return what a JSON Pointer points at (RFC 6901, section 4)."""
    if pointer == "":
        return document
    if not pointer.startswith("/"):
        raise MessageError(f"{pointer!r} is no JSON Pointer: it must begin with '/'")
    here = document
    for token in pointer[1:].split("/"):
        name = token.replace("~1", "/").replace("~0", "~")
        if isinstance(here, dict) and name in here:
            here = here[name]
        elif isinstance(here, list) and _is_index(name) and int(name) < len(here):
            here = here[int(name)]
        else:
            raise MessageError(f"nothing stands at {pointer!r} in the payload")
    return here


def _is_index(name: str) -> bool:
    """Tell whether a pointer's token is an array index: digits, no leading zero (RFC 6901, section 4)."""
    return name.isascii() and name.isdigit() and len(name) <= 4 and (name == "0" or name[0] != "0")


def _of_senml(document: Any) -> ProbePayload:
    """Return the newest temperature of a SenML pack: names and times resolved, unit "Cel" (RFC 8428)."""
    if not isinstance(document, list) or not all(isinstance(record, dict) for record in document):
        raise MessageError("expected a SenML pack, a list of records")
    unit: Any = None
    newest: Any = None
    for record in document:
        unit = record.get("bu", unit)
        if record.get("u", unit) == "Cel" and "v" in record:
            newest = record["v"]
    if newest is None:
        raise MessageError("no SenML record with a value in 'Cel'")
    return ProbePayload(temp_c=_number(newest))
