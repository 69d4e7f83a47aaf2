"""Decision records: what was decided for an output, why, and from which numbers."""

import math
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Literal


class Reason(StrEnum):
    """Why an output is as it is; one code for each rule of the ladders in ``tree`` and ``vent``."""

    # bad input: the output rests
    PROBE_MISSING = "probe-missing"
    PROBE_STALE = "probe-stale"
    PROBE_FUTURE = "probe-future"
    PROBE_NOT_A_NUMBER = "probe-not-a-number"
    PROBE_OUT_OF_RANGE = "probe-out-of-range"
    PROBE_FROZEN = "probe-frozen"
    PROBE_POWER_ON = "probe-power-on"
    PROBE_GONE = "probe-gone"
    PROBE_NEW = "probe-new"
    PROBE_ZEROS = "probe-zeros"
    PROBE_LEAPS = "probe-leaps"
    PROBE_NOISY = "probe-noisy"
    PROBE_FAR_OFF = "probe-far-off"
    BOARD_SILENT = "board-silent"
    # a tree's evidence does not hang together: heat
    WITNESS_COLDER = "witness-colder"
    PROBE_SUSPECT = "probe-suspect"
    DOUBT_STANDS = "doubt-stands"
    # a tree's ladder
    TOO_HOT = "too-hot"
    HAND_ON = "hand-on"
    HAND_OFF = "hand-off"
    HAND_OFF_OVERRULED = "hand-off-overruled"
    LET_GO = "let-go"
    COLD = "cold"
    NOT_YET_WARM = "not-yet-warm"
    MINIMUM_ON_TIME = "minimum-on-time"
    SWITCHED_OFTEN = "switched-often"
    PLANNED = "planned"
    NEIGHBOUR_IN_DANGER = "neighbour-in-danger"
    HEAT_WITHOUT_EFFECT = "heat-without-effect"
    PLAN_OLD = "plan-old"
    PLAN_ABSURD = "plan-absurd"
    WARM_ENOUGH = "warm-enough"
    NO_STRING = "no-string"
    # a vent's ladder
    HEAT_ON = "heat-on"
    FROST_LOCK = "frost-lock"
    HAND_OPEN = "hand-open"
    HAND_SHUT = "hand-shut"
    BANK_HEAT = "bank-heat"
    HOUSE_HOT = "house-hot"
    FLEECE_HOT = "fleece-hot"
    COOL_NIGHT = "cool-night"
    DRYING = "drying"
    NOT_YET_COOL = "not-yet-cool"
    MINIMUM_STAY = "minimum-stay"
    HOUSE_COOL = "house-cool"


BAD_INPUT = frozenset(
    {
        Reason.PROBE_MISSING,
        Reason.PROBE_STALE,
        Reason.PROBE_FUTURE,
        Reason.PROBE_NOT_A_NUMBER,
        Reason.PROBE_OUT_OF_RANGE,
        Reason.PROBE_FROZEN,
        Reason.PROBE_POWER_ON,
        Reason.PROBE_GONE,
        Reason.PROBE_NEW,
        Reason.PROBE_ZEROS,
        Reason.PROBE_LEAPS,
        Reason.PROBE_NOISY,
        Reason.PROBE_FAR_OFF,
    }
)

# One sentence for each reason; the fields are those of ``Decision``.
_SENTENCES: dict[Reason, str] = {
    Reason.PROBE_MISSING: "{probe} has not been heard yet, so {rest}",
    Reason.PROBE_STALE: "{probe} was last heard {age_s:.0f} s ago, so {rest}",
    Reason.PROBE_FUTURE: "{probe} is dated {ahead_s:.0f} s in the future, so {rest}",
    Reason.PROBE_NOT_A_NUMBER: "{probe} sent no number, so {rest}",
    Reason.PROBE_OUT_OF_RANGE: "{probe} reads {temp_c:.1f} °C, which no probe here can see, so {rest}",
    Reason.PROBE_FROZEN: "{probe} has said {temp_c:.2f} °C for {age_s:.0f} s while others moved, so {rest}",
    Reason.PROBE_POWER_ON: "{probe} says {temp_c:.1f} °C, its power-on value and no measurement, so {rest}",
    Reason.PROBE_GONE: "{probe} says {temp_c:.1f} °C, which stands for a probe that is gone, so {rest}",
    Reason.PROBE_NEW: "{probe} has just started, and its first two readings do not count, so {rest}",
    Reason.PROBE_ZEROS: "{probe} has said nothing but 0.0 since it started, as a dead probe does, so {rest}",
    Reason.PROBE_LEAPS: "{probe} leaps: nothing has confirmed it for {age_s:.0f} s, so {rest}",
    Reason.PROBE_NOISY: "{probe} jumps about from reading to reading, now {temp_c:.1f} °C, so {rest}",
    Reason.PROBE_FAR_OFF: "{probe} says {temp_c:.1f} °C, far from what it can be this night, so {rest}",
    Reason.BOARD_SILENT: "{temp_c:.2f} °C would do, but no board can be told so ({board}), so {rest}",
    Reason.WITNESS_COLDER: (
        "{probe} reads {temp_c:.1f} °C, but house, outside and heat explain {witness_c:.1f} °C, "
        "give or take {spread_k:.1f} K, so {rest}"
    ),
    Reason.PROBE_SUSPECT: (
        "{probe} reads {temp_c:.1f} °C, but the past days' readings speak against it, so {rest}"
    ),
    Reason.DOUBT_STANDS: (
        "{probe} reads {temp_c:.1f} °C; for {age_s:.0f} s that has been, again and again, more than house, "
        "outside and heat explain, so {rest}"
    ),
    Reason.TOO_HOT: "{temp_c:.1f} °C under the fleece is above {limit_c:g} °C, so the string is cut",
    Reason.HAND_ON: "{who} ordered heat until {until}",
    Reason.HAND_OFF: "{who} ordered it off until {until}, and {temp_c:.1f} °C is above {limit_c:.1f} °C",
    Reason.HAND_OFF_OVERRULED: (
        "{who} ordered it off, but {temp_c:.1f} °C is not above {limit_c:.1f} °C, where fruit is lost"
    ),
    Reason.LET_GO: (
        "{who} let its fruit go until {until}: off at {temp_c:.1f} °C, fruit is lost at {limit_c:.1f} °C"
    ),
    Reason.COLD: "{temp_c:.2f} °C is not above the hold temperature {limit_c:.2f} °C",
    Reason.NOT_YET_WARM: "{temp_c:.2f} °C is not yet above {limit_c:.2f} °C, where the heat may rest again",
    Reason.MINIMUM_ON_TIME: "warm at {temp_c:.2f} °C, but on for {age_s:.0f} s of at least {minimum_s:.0f} s",
    Reason.SWITCHED_OFTEN: "warm at {temp_c:.2f} °C, but switched {switchings} times in the last hour",
    Reason.PLANNED: "{temp_c:.2f} °C is not above {limit_c:.2f} °C, to which the plan warms: {plan}",
    Reason.NEIGHBOUR_IN_DANGER: (
        "{temp_c:.2f} °C would do, but {who} is losing fruit with all its heat on: this warms the house"
    ),
    Reason.HEAT_WITHOUT_EFFECT: (
        "{temp_c:.2f} °C would do, but {who} has cooled while it was heated: whatever failed there, all are "
        "held above {limit_c:.2f} °C"
    ),
    Reason.PLAN_OLD: "{temp_c:.2f} °C is above {limit_c:.2f} °C; the plan, {age_s:.0f} s old, is not heeded",
    Reason.PLAN_ABSURD: (
        "{temp_c:.2f} °C is above {limit_c:.2f} °C; the plan asks for {asked_c:.1f} °C and is not heeded"
    ),
    Reason.WARM_ENOUGH: "{temp_c:.2f} °C is above the hold temperature {limit_c:.2f} °C",
    Reason.NO_STRING: "this tree has no string: {temp_c:.2f} °C, hold temperature {limit_c:.2f} °C",
    Reason.HEAT_ON: "a string is heating, so the vent stays shut",
    Reason.FROST_LOCK: "{temp_c:.1f} °C is below {limit_c:g} °C, so the vent stays shut",
    Reason.HAND_OPEN: "{who} ordered it open until {until}",
    Reason.HAND_SHUT: "{who} ordered it shut until {until}",
    Reason.BANK_HEAT: "frost is near: {temp_c:.1f} °C in the house is kept, up to {limit_c:g} °C",
    Reason.HOUSE_HOT: "{temp_c:.1f} °C in the house is above {limit_c:g} °C",
    Reason.FLEECE_HOT: "{temp_c:.1f} °C under a fleece is above {limit_c:g} °C, so the house is aired",
    Reason.COOL_NIGHT: "a warm night: {temp_c:.1f} °C in the house is above {limit_c:g} °C",
    Reason.DRYING: "the air outside is drier: at {temp_c:.1f} °C the house is aired against mould",
    Reason.NOT_YET_COOL: "{temp_c:.1f} °C in the house is not yet below {limit_c:g} °C",
    Reason.MINIMUM_STAY: "opened {age_s:.0f} s ago, and stays open for at least {minimum_s:.0f} s",
    Reason.HOUSE_COOL: "{temp_c:.1f} °C in the house is not above {limit_c:g} °C",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What was decided for one output and why.

    ``active`` means heating for a tree and open or running for a vent.  Numbers that played no part are NaN;
    ``who`` is the person, or the tree, for whose sake.
    """

    kind: Literal["tree", "vent"]
    name: str
    at: datetime
    active: bool
    reason: Reason
    temp_c: float = math.nan
    limit_c: float = math.nan
    age_s: float = math.nan
    ahead_s: float = math.nan
    minimum_s: float = math.nan
    asked_c: float = math.nan
    witness_c: float = math.nan
    spread_k: float = math.nan
    switchings: int = 0
    probe: str = ""
    board: str = ""
    who: str = ""
    until: str = ""
    rest: str = ""
    plan: str = ""

    @property
    def because(self) -> str:
        """The reason as one sentence with the numbers that decided."""
        return _SENTENCES[self.reason].format(
            temp_c=self.temp_c,
            limit_c=self.limit_c,
            age_s=self.age_s,
            ahead_s=self.ahead_s,
            minimum_s=self.minimum_s,
            asked_c=self.asked_c,
            witness_c=self.witness_c,
            spread_k=self.spread_k,
            plan=self.plan,
            switchings=self.switchings,
            probe=self.probe or "the probe",
            board=self.board,
            who=self.who or "someone",
            until=self.until,
            rest=self.rest,
        )
