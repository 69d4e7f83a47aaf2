"""Payloads of the bus contract, version 1: strict models, and one way in and one way out.

A payload is UTF-8 JSON of at most 4 kB.  ``read`` is the only door: what it lets through is finite, typed
and complete; anything else is a ``MessageError`` whose text names the fault.
"""

from datetime import UTC, datetime
from typing import Annotated, ClassVar, Literal, TypeVar

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from controller.errors import MessageError

LARGEST_PAYLOAD_BYTES = 4096
# The whole picture of a site with many trees is longer; only pages read it.
LARGEST_STATUS_BYTES = 65536
# A lease may not outlive this, whatever it says: 300 s at 10 K/h of cooling is 0.8 K.
LONGEST_LEASE_S = 300.0

# RFC 8259 section 6: whole numbers up to this one are the same to every reader of JSON.  Larger ones are no
# version or count of anything, and SQLite keeps none from 2**63 on.
LARGEST_INTEGER = 2**53 - 1
# A clock that was never set begins with 1970 and one that counts in 32 bits ends in 2106: people are heard by
# either.  Nearer to the ends of the calendar, times cannot be reckoned with.
EARLIEST, LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)


def _utc(at: datetime) -> datetime:
    """Return a time in UTC; raise ``ValueError`` where others cannot be reckoned from it."""
    if not EARLIEST <= at < LATEST:
        raise ValueError(f"a time from {EARLIEST:%Y} until {LATEST:%Y} was expected, not {at.isoformat()}")
    return at.astimezone(UTC)


Count = Annotated[int, Field(ge=0, le=LARGEST_INTEGER)]
# Of an id that a topic carries no more is kept.
LONGEST_ID = 64
ShortId = Annotated[str, Field(min_length=1, max_length=LONGEST_ID)]
# A time that a person sends, in whatever zone.  Those of boards are only compared.
Time = Annotated[AwareDatetime, AfterValidator(_utc)]


class Payload(BaseModel):
    """The common form of all payloads."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False, defer_build=True)

    largest_bytes: ClassVar[int] = LARGEST_PAYLOAD_BYTES

    def to_json(self) -> bytes:
        """Return the payload as it goes on the bus."""
        return self.model_dump_json(exclude_none=True).encode()


class ProbePayload(Payload):
    """A reading.  ``at`` may be left out by a board without a clock."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True, allow_inf_nan=False, defer_build=True)

    temp_c: float | None
    at: AwareDatetime | None = None
    rh_pct: float | None = Field(default=None, ge=0, le=110)


class PowerPayload(Payload):
    """What a circuit draws."""

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True, allow_inf_nan=False, defer_build=True)

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
    seq: int = Field(ge=1, le=LARGEST_INTEGER)
    ttl_s: float = Field(gt=0, le=LONGEST_LEASE_S)
    echo_uptime_s: float | None = None
    off: tuple[ShortId, ...] = Field(default=(), max_length=64)
    vent: tuple[ShortId, ...] = Field(default=(), max_length=64)


class EchoPayload(Payload):
    """What a board's outputs do: ``on`` lists heaters that heat and vents away from their rest.

    ``uptime_s`` is how long the board has run by the timer that it counts leases with.  A timer that was set
    back may show less than nothing; the guard lets a board rest only while its uptime runs with ours.
    """

    model_config = ConfigDict(frozen=True, extra="ignore", strict=True, allow_inf_nan=False, defer_build=True)

    boot: ShortId
    session: ShortId | None = None
    seq: Count = 0
    at: AwareDatetime | None = None
    on: tuple[ShortId, ...] = Field(default=(), max_length=64)
    reset_reason: str = Field(default="", max_length=80)
    uptime_s: float = 0.0


class AlivePayload(Payload):
    """A client's birth (``alive``) or will."""

    session: ShortId
    alive: bool


class HandPayload(Payload):
    """A person's order; it always ends.

    ``consent`` holds the words that let one tree's fruit go ("let the yuzu go"); "taken-back" puts back what
    stood before the latest order, whose id ``of`` names.
    """

    who: str = Field(min_length=1, max_length=40)
    tree: ShortId | None = None
    vent: ShortId | None = None
    all: Literal[True] | None = None
    order: Literal["hand-on", "hand-off", "auto", "taken-back"]
    until: Time | None = None
    version: Count = 0
    consent: str = Field(default="", max_length=80)
    of: ShortId | None = None


class ConfirmPayload(Payload):
    """A person's word that something was done; ``of`` names the word that is taken back."""

    who: str = Field(min_length=1, max_length=40)
    what: Literal["covered", "uncovered", "vents-shut", "harvested", "taken-back"]
    tree: ShortId | None = None
    vent: ShortId | None = None
    all: Literal[True] | None = None
    at: Time
    version: Count = 0
    of: ShortId | None = None


class AnswerPayload(Payload):
    """What the guard says to a person's order or word."""

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
    """One tree's heat or one vent, as it stands: decided, and what the boards echo of it.

    Of a tree also what its fruit is thought to have, the air to hold, the fruit's damage temperature, and the
    air at or below which no order keeps heat off [°C].
    """

    kind: Literal["tree", "vent"]
    name: str
    active: bool
    echoed_on: int
    channels: int
    reason: str
    because: str
    temp_c: float | None = None
    limit_c: float | None = None
    fruit_c: float | None = None
    hold_c: float | None = None
    damage_c: float | None = None
    hand_off_floor_c: float | None = None


class BoardStatus(Payload):
    """One board, as the controller sees it."""

    name: str
    heard: bool
    confirmed: bool
    heard_ago_s: float | None = None


class StandingStatus(Payload):
    """A hand order that stands."""

    kind: Literal["tree", "vent", "all"]
    name: str
    order: Literal["hand-on", "hand-off"]
    who: str
    ends_at: datetime
    version: int = 0
    lets_go: bool = False


class ConfirmedStatus(Payload):
    """What somebody said was done and still stands; without ``ends_at`` until something newer is said."""

    id: str
    what: Literal["covered", "uncovered", "vents-shut", "harvested"]
    kind: Literal["tree", "vent", "all"]
    name: str
    who: str
    at: datetime
    ends_at: datetime | None = None


class AdviceStatus(Payload):
    """Something only hands can do; ``until`` is the word that ends it for ``names`` ("all": the house)."""

    task: str
    by: datetime
    what: str
    because: str
    names: tuple[str, ...] = ()
    every_tree: bool = False
    until: Literal["covered", "uncovered", "vents-shut", "harvested"] | None = None


class ComingStatus(Payload):
    """The coming hours, hour by hour from ``starts_at``, for the picture of pages.

    ``tree`` is the one with the least to spare: its air without heat (``free_air_c``) and held.
    ``free_air_min_c`` is the coldest air that each tree would come to without heat; ``loss_share`` and
    ``free_loss_share`` the expected share of its fruit lost within a day, with heat and without.
    """

    made_at: datetime
    source: str
    attribution: str
    remark: str
    outside_min_c: float
    outside_min_at: datetime
    heat_from: datetime | None = None
    heat_until: datetime | None = None
    trees_heated: tuple[str, ...] = ()
    trees_short: tuple[str, ...] = ()
    energy_kwh: float
    cost: float
    currency: str
    starts_at: datetime
    outside_c: tuple[float, ...] = ()
    outside_spread_k: tuple[float, ...] = ()
    house_c: tuple[float, ...] = ()
    free_air_min_c: dict[str, float] = {}
    loss_share: dict[str, float] = {}
    free_loss_share: dict[str, float] = {}
    tree: str = ""
    free_air_c: tuple[float, ...] = ()
    held_air_c: tuple[float, ...] = ()
    tree_heat_kwh: tuple[float, ...] = ()
    heat_kwh: tuple[float, ...] = ()


class AcknowledgePayload(Payload):
    """Who has an alarm, or asks for a test message."""

    who: str = Field(min_length=1, max_length=40)


class AlarmStatus(Payload):
    """An alarm that stands, or that ended without anybody having acknowledged it.

    ``what`` is it in a few words, ``because`` one sentence with the numbers, ``cause`` the likely cause,
    ``look_at`` the first thing to look at, ``sure`` how sure all this is.  Severity: 1 shown only, 2 mend it
    by day, 3 mend it today, 4 crop or house at risk now.
    """

    key: str
    code: str
    target: str
    severity: int
    what: str
    because: str
    cause: str
    look_at: str
    sure: str
    since: datetime
    stage: Literal["unacknowledged", "acknowledged", "returned"]
    acknowledged_by: str = ""


class AlarmPayload(Payload):
    """A message to people, as it is also sent by mail or messenger."""

    largest_bytes: ClassVar[int] = LARGEST_STATUS_BYTES

    at: datetime
    kind: str
    severity: int
    subject: str
    text: str


class StatusPayload(Payload):
    """The controller's whole picture, retained for pages; never a command.

    ``versions`` holds the version of the last order for each target, such as "tree/lemon", also of one that
    has ended: the next has to be higher.
    """

    largest_bytes: ClassVar[int] = LARGEST_STATUS_BYTES

    at: datetime
    session: str
    outputs: tuple[OutputStatus, ...]
    boards: tuple[BoardStatus, ...]
    probes_c: dict[str, float]
    outlook: str
    notices: tuple[str, ...] = ()
    coming: ComingStatus | None = None
    orders: tuple[StandingStatus, ...] = ()
    versions: dict[str, int] = Field(default_factory=dict)
    confirmed: tuple[ConfirmedStatus, ...] = ()
    advice: tuple[AdviceStatus, ...] = ()
    alarms: tuple[AlarmStatus, ...] = ()
    alarms_more: int = 0


P = TypeVar("P", bound=Payload)


def read(kind: type[P], payload: bytes) -> P:
    """Return a payload as its model; raise ``MessageError`` naming every fault."""
    if len(payload) > kind.largest_bytes:
        raise MessageError(f"{len(payload)} bytes; at most {kind.largest_bytes} are read")
    try:
        return kind.model_validate_json(payload)
    except ValidationError as error:
        faults = "; ".join(
            f"{'.'.join(str(part) for part in fault['loc']) or 'payload'}: "
            f"{fault['msg'].removeprefix('Value error, ')}"
            for fault in error.errors(include_url=False, include_context=False, include_input=False)[:5]
        )
        raise MessageError(faults) from None
