"""Findings: what is thought to be wrong, each with a code, a target, how bad it is and what to look at first.

The guard finds some by itself (``look``); others come from the daemon, the model, the circuits.  Alarms are
made of them.  The catalogue here is the one place where a code's usual severity, likely cause and first thing
to look at are written; whoever finds something adds the sentence with the numbers.
"""

from dataclasses import dataclass
from enum import StrEnum

# 1 a nuisance, 2 mend it by day, 3 mend it today, 4 may cost crop or house within the hour
WORST = 4


class FindingCode(StrEnum):
    """What can be found wrong."""

    # a probe's word is worth nothing; the same names as the reasons of decisions
    PROBE_MISSING = "probe-missing"
    PROBE_STALE = "probe-stale"
    PROBE_FUTURE = "probe-future"
    PROBE_NOT_A_NUMBER = "probe-not-a-number"
    PROBE_OUT_OF_RANGE = "probe-out-of-range"
    PROBE_FROZEN = "probe-frozen"
    PROBE_POWER_ON = "probe-power-on"
    PROBE_GONE = "probe-gone"
    PROBE_ZEROS = "probe-zeros"
    PROBE_LEAPS = "probe-leaps"
    PROBE_NOISY = "probe-noisy"
    PROBE_FAR_OFF = "probe-far-off"
    PROBE_INTERMITTENT = "probe-intermittent"
    HOUSE_OUTSIDE_SWAPPED = "house-outside-swapped"
    # a sound reading that cannot be true beside the rest
    WITNESS_COLDER = "witness-colder"
    # boards and strings
    BOARD_SILENT = "board-silent"
    BOARD_DISOBEYS = "board-disobeys"
    BOARD_UNSTEADY = "board-unsteady"
    BOARD_TIMER = "board-timer"
    STRANGE_LEASE = "strange-lease"
    REST_NOT_PROVED = "rest-not-proved"
    HEAT_NOT_ON = "heat-not-on"
    HEAT_WITHOUT_EFFECT = "heat-without-effect"
    # circuits with a meter
    CIRCUIT_DEAD = "circuit-dead"
    WATTS_MISSING = "watts-missing"
    WATTS_UNSTEADY = "watts-unsteady"
    METER_SILENT = "meter-silent"
    # trees
    FRUIT_IN_DANGER = "fruit-in-danger"
    TOO_HOT = "too-hot"
    OFF_OVERRULED = "off-overruled"
    ORDER_ENDED = "order-ended"
    # what only the model sees, from hours and nights of readings
    FLEECE_OFF = "fleece-off"
    FLEECE_WET = "fleece-wet"
    STRING_DEAD = "string-dead"
    STRING_HALF_DEAD = "string-half-dead"
    HEATER_STUCK_ON = "heater-stuck-on"
    VENT_OPEN = "vent-open"
    PROBE_BY_LAMP = "probe-by-lamp"
    PROBE_DRIFTED = "probe-drifted"
    PROBES_SWAPPED = "probes-swapped"
    # services
    SITE_FILE_TROUBLE = "site-file-trouble"
    NO_FORECAST = "no-forecast"
    PLAN_TROUBLE = "plan-trouble"
    MODEL_TROUBLE = "model-trouble"
    JOURNAL_TROUBLE = "journal-trouble"
    BROKER_TROUBLE = "broker-trouble"
    ALARM_TROUBLE = "alarm-trouble"
    CONTROL_SILENT = "control-silent"
    CONTROL_WAS_AWAY = "control-was-away"
    JOB_TROUBLE = "job-trouble"
    CLOCK_TROUBLE = "clock-trouble"
    MEMORY_TROUBLE = "memory-trouble"


class Sure(StrEnum):
    """How sure a finding is."""

    CERTAIN = "certain"
    LIKELY = "likely"
    POSSIBLE = "possible"


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of a code before any number: how bad, the likely cause, what to look at first.

    ``once`` marks what happened and is past: it is told once, and nobody needs to acknowledge it.
    """

    severity: int
    what: str
    cause: str
    look_at: str
    sure: Sure = Sure.CERTAIN
    once: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something thought to be wrong.

    ``target`` names the tree, probe, board, circuit, vent or service; ``because`` is one sentence with the
    numbers; ``look_at`` is the first thing to look at.  Code and target together tell findings apart.
    """

    code: FindingCode
    target: str
    severity: int
    because: str
    look_at: str
    cause: str = ""
    sure: Sure = Sure.CERTAIN

    @property
    def key(self) -> str:
        """What tells this finding from others, as one level of a topic."""
        return f"{self.code}.{self.target}".replace("/", ".")

    @property
    def is_past(self) -> bool:
        """Whether it happened and is past: told once, and nobody needs to acknowledge it."""
        return KNOWN[self.code].once


_PROBE_CABLE = "the probe's plug and cable, then whether its board has power"

KNOWN: dict[FindingCode, Known] = {
    FindingCode.PROBE_MISSING: Known(
        severity=3,
        what="probe never heard",
        cause="it is not connected, or its name differs from the site file's",
        look_at=_PROBE_CABLE,
    ),
    FindingCode.PROBE_STALE: Known(
        severity=3,
        what="probe silent",
        cause="its cable, its board or the network is broken",
        look_at=_PROBE_CABLE,
    ),
    FindingCode.PROBE_FUTURE: Known(
        severity=2,
        what="probe dated in the future",
        cause="the clock of its board or of the controller is wrong",
        look_at="the clock of the board that sends it",
    ),
    FindingCode.PROBE_NOT_A_NUMBER: Known(
        severity=3,
        what="probe sends no number",
        cause="the probe is broken, or its board sends another form than the site file says",
        look_at=_PROBE_CABLE,
    ),
    FindingCode.PROBE_OUT_OF_RANGE: Known(
        severity=3,
        what="probe reads the impossible",
        cause="a wet or broken cable, or a probe that has just lost its supply",
        look_at="the probe's cable for water and nicks",
    ),
    FindingCode.PROBE_FROZEN: Known(
        severity=3,
        what="probe stuck",
        cause="the probe or the program that reads it hangs",
        look_at="the board that reads the probe: switch it off and on",
        sure=Sure.LIKELY,
    ),
    FindingCode.PROBE_POWER_ON: Known(
        severity=3,
        what="probe says its power-on value",
        cause="it loses its supply again and again: a loose plug, a long cable, a weak pull-up resistor",
        look_at="the probe's supply wire and the pull-up resistor of its bus",
    ),
    FindingCode.PROBE_GONE: Known(
        severity=3,
        what="probe gone from its bus",
        cause="a broken or unplugged wire, or too little current to measure",
        look_at=_PROBE_CABLE,
    ),
    FindingCode.PROBE_ZEROS: Known(
        severity=3,
        what="probe says nothing but 0.0",
        cause="the probe is dead or its data wire shorted; or it lies in ice",
        look_at="hold the probe in your hand: it must rise",
        sure=Sure.LIKELY,
    ),
    FindingCode.PROBE_LEAPS: Known(
        severity=3,
        what="probe leaps",
        cause="a loose plug, water in the cable, or mains beside it",
        look_at="the probe's plug, then where its cable runs beside mains",
        sure=Sure.LIKELY,
    ),
    FindingCode.PROBE_NOISY: Known(
        severity=3,
        what="probe jumps about",
        cause="a loose plug, water in the cable, or mains beside it",
        look_at="the probe's plug, then where its cable runs beside mains",
        sure=Sure.LIKELY,
    ),
    FindingCode.PROBE_FAR_OFF: Known(
        severity=4,
        what="probe far from what it can be",
        cause="it sends another unit (Fahrenheit, hundredths), or it measures something else",
        look_at="the unit its board sends, against a thermometer beside the probe",
        sure=Sure.LIKELY,
    ),
    FindingCode.PROBE_INTERMITTENT: Known(
        severity=2,
        what="probe often not heard",
        cause="a weak radio link, a loose plug, or a board that restarts",
        look_at="the board's radio signal, then the probe's plug",
    ),
    FindingCode.HOUSE_OUTSIDE_SWAPPED: Known(
        severity=4,
        what="probes of house and outside swapped",
        cause="the two hang in each other's place, or are named so in the site file",
        look_at="warm the house probe in your hand and see which reading rises",
        sure=Sure.LIKELY,
    ),
    FindingCode.WITNESS_COLDER: Known(
        severity=3,
        what="a tree's probe reads warmer than house, outside and heat explain",
        cause="the probe hangs elsewhere, touches a lamp, or is stuck; or two probes are swapped",
        look_at="where the probe hangs: at fruit height under its own fleece, touching no lamp",
        sure=Sure.LIKELY,
    ),
    FindingCode.BOARD_SILENT: Known(
        severity=3,
        what="board silent",
        cause="it has no power or no network; with power its strings heat by themselves",
        look_at="whether the board has power, then its network",
    ),
    FindingCode.BOARD_DISOBEYS: Known(
        severity=3,
        what="string on without need",
        cause="a welded relay contact, or leases do not reach the board",
        look_at="whether the relay clicks and the string goes dark; cut its breaker if the fleece is hot",
        sure=Sure.LIKELY,
    ),
    FindingCode.BOARD_UNSTEADY: Known(
        severity=3,
        what="board starts again and again",
        cause="its supply is too weak, it hangs, or two boards have one name; it heats and gets no lease",
        look_at="the board's power supply, then whether another board was given the same name",
    ),
    FindingCode.BOARD_TIMER: Known(
        severity=3,
        what="board's timer goes back or stands still",
        cause="it counts leases by a clock that is set, or its timer fails; it is told to heat meanwhile",
        look_at="the board: switch it off and on; do not leave a cold night to one that does this again",
    ),
    FindingCode.STRANGE_LEASE: Known(
        severity=3,
        what="leases that are not ours",
        cause="a second controller runs, or somebody on the network or a restored broker sends old ones",
        look_at="whether a second controller runs for this site; then who may write to the broker",
    ),
    FindingCode.REST_NOT_PROVED: Known(
        severity=4,
        what="heat does not come on by itself",
        cause="its program does not obey a lease's time, or its relays do not follow",
        look_at="pull the board's supply: its strings must come on; do not leave a cold night to this board",
    ),
    FindingCode.HEAT_NOT_ON: Known(
        severity=4,
        what="heat ordered, but the board says off",
        cause="the board holds an old lease, or its output is stuck",
        look_at="the board: switch it off and on, it then heats by itself",
    ),
    FindingCode.HEAT_WITHOUT_EFFECT: Known(
        severity=4,
        what="heat on, but no warmer",
        cause="a dead string, a tripped breaker, or fleece or probe off the tree",
        look_at="whether the string is lit or warm, then its breaker, then the fleece",
        sure=Sure.LIKELY,
    ),
    FindingCode.CIRCUIT_DEAD: Known(
        severity=4,
        what="circuit dead",
        cause="its breaker or residual-current device has tripped",
        look_at="the breaker and the residual-current device; find what is wet or broken, then reset them",
    ),
    FindingCode.WATTS_MISSING: Known(
        severity=3,
        what="watts missing",
        cause="a string is dead or partly dark, or the mains voltage is low",
        look_at="which string is not lit, by walking past all that are said to be on",
        sure=Sure.LIKELY,
    ),
    FindingCode.WATTS_UNSTEADY: Known(
        severity=3,
        what="watts come and go",
        cause=(
            "a contact that arcs, a loose terminal, plug or lamp, any of which can start a fire; unsteady "
            "mains, where every circuit says so"
        ),
        look_at="with the breaker off: relay contacts, terminals, plugs and lamps, for heat and scorching",
        sure=Sure.LIKELY,
    ),
    FindingCode.METER_SILENT: Known(
        severity=1,
        what="meter silent",
        cause="it has no power or no network",
        look_at="the meter of that circuit; strings are watched by their warmth meanwhile",
    ),
    FindingCode.FRUIT_IN_DANGER: Known(
        severity=4,
        what="fruit in danger",
        cause="the night is colder than its heat can hold, or heat does not arrive",
        look_at="whether fleece, string and vents are as they should be; add cover or heat by hand",
    ),
    FindingCode.TOO_HOT: Known(
        severity=4,
        what="too hot under the fleece",
        cause="morning sun under a closed fleece, or a string that lies on the probe or the fabric",
        look_at="where the string lies and whether anything is scorched; open the fleece by day",
    ),
    FindingCode.OFF_OVERRULED: Known(
        severity=2,
        what="an order to keep heat off is overruled",
        cause="it is cold enough to lose fruit",
        look_at="whether the order was meant: `rimeward hand off --consent` keeps even this tree cold",
    ),
    FindingCode.ORDER_ENDED: Known(
        severity=2,
        what="an order by hand has ended",
        cause="every order ends by itself; nobody renewed it",
        look_at="whether it is still wanted",
        once=True,
    ),
    FindingCode.SITE_FILE_TROUBLE: Known(
        severity=3,
        what="the site file cannot be used",
        cause="a mistake in its last change",
        look_at="`rimeward check`, which names the line; the last sound file is used meanwhile",
    ),
    FindingCode.FLEECE_OFF: Known(
        severity=4,
        what="fleece off or blown open",
        cause="the tree loses heat as if it stood bare",
        look_at="whether the fleece lies closed down to the ground all round",
        sure=Sure.LIKELY,
    ),
    FindingCode.FLEECE_WET: Known(
        severity=2,
        what="fleece wet",
        cause="the tree loses the heat that drying a wet cloth takes, or its probe reads too low",
        look_at="whether the fleece is wet or lies on the leaves; then the probe's place",
        sure=Sure.POSSIBLE,
    ),
    FindingCode.STRING_DEAD: Known(
        severity=4,
        what="string dead",
        cause="the string is burnt out or unplugged, or its series frost-stat or cut-out is open",
        look_at="whether the string is lit or warm, then its plug, its cut-out and its breaker",
        sure=Sure.LIKELY,
    ),
    FindingCode.STRING_HALF_DEAD: Known(
        severity=3,
        what="part of the heat is missing",
        cause="one of several strings, or part of one, is dark",
        look_at="whether every string is lit along its whole length",
        sure=Sure.LIKELY,
    ),
    FindingCode.HEATER_STUCK_ON: Known(
        severity=3,
        what="heat on though told off",
        cause="a welded relay contact, a bridged switch, or other heat under the fleece",
        look_at="whether the string goes dark when its relay clicks; if the fleece is hot, cut its breaker",
        sure=Sure.LIKELY,
    ),
    FindingCode.VENT_OPEN: Known(
        severity=3,
        what="vent or door open",
        cause="the house follows the outside air as if it were aired",
        look_at="vents, doors and panes",
        sure=Sure.POSSIBLE,
    ),
    FindingCode.PROBE_BY_LAMP: Known(
        severity=4,
        what="probe beside a lamp",
        cause="the probe warms with its string, faster than the air can",
        look_at="where the probe hangs: at fruit height, a hand's breadth from any lamp or cable",
        sure=Sure.LIKELY,
    ),
    FindingCode.PROBE_DRIFTED: Known(
        severity=3,
        what="probe reads wrong",
        cause="the probe has drifted or was moved",
        look_at="the probe's place, then its reading in melting ice",
        sure=Sure.LIKELY,
    ),
    FindingCode.PROBES_SWAPPED: Known(
        severity=4,
        what="two probes swapped",
        cause="each reads what the other should",
        look_at="which cable goes to which tree: warm one probe in the hand and see whose reading rises",
        sure=Sure.LIKELY,
    ),
    FindingCode.NO_FORECAST: Known(
        severity=2,
        what="no forecast",
        cause="no internet, or the service is down",
        look_at="the internet connection; the guard holds the trees from their probes meanwhile",
    ),
    FindingCode.PLAN_TROUBLE: Known(
        severity=2,
        what="no plan",
        cause="planning failed",
        look_at="the log; the guard holds the trees without a plan meanwhile",
    ),
    FindingCode.MODEL_TROUBLE: Known(
        severity=1,
        what="the learnt model is not used",
        cause="its file is damaged, or the site was changed",
        look_at="the log; handbook numbers are used meanwhile",
    ),
    FindingCode.JOURNAL_TROUBLE: Known(
        severity=2,
        what="the journal is not kept",
        cause="the disk is full, read-only or damaged",
        look_at="free space and health of the disk; control goes on without the journal",
    ),
    FindingCode.BROKER_TROUBLE: Known(
        severity=3,
        what="the broker is not reached",
        cause="the broker or the network between is down; boards heat by themselves meanwhile",
        look_at="whether the broker runs, then the network",
    ),
    FindingCode.ALARM_TROUBLE: Known(
        severity=2,
        what="messages are not delivered",
        cause="the internet, the mail server or the messenger is down, or its password has changed",
        look_at="`rimeward alarm test`, which says what each way answers",
    ),
    FindingCode.JOB_TROUBLE: Known(
        severity=2,
        what="work in the background fails",
        cause="the network, the disk or a fault in the program",
        look_at="the log; the guard holds the trees meanwhile",
    ),
    FindingCode.CLOCK_TROUBLE: Known(
        severity=2,
        what="the clock is not sound",
        cause="no battery clock and no time server, or the clock was set by hand",
        look_at="the internet connection and the machine's date; control goes on without the clock",
    ),
    FindingCode.MEMORY_TROUBLE: Known(
        severity=2,
        what="the controller grows",
        cause="a fault in the program",
        look_at="the log; it ends and starts anew by itself before the machine is full",
    ),
    FindingCode.CONTROL_SILENT: Known(
        severity=4,
        what="the controller does not decide",
        cause="its program hangs; it is started again by itself, and heat is on meanwhile",
        look_at="whether the controller's machine runs, and its log",
    ),
    FindingCode.CONTROL_WAS_AWAY: Known(
        severity=2,
        what="nothing was controlled for a while",
        cause="the mains were cut, the machine stood still, or the program was stopped",
        look_at="fruit and fleece of each tree, then what else in the house needs mains",
        once=True,
    ),
}


def finding(
    code: FindingCode, target: str, because: str, *, severity: int | None = None, look_at: str = ""
) -> Finding:
    """Return a finding, with what the catalogue knows of its code where nothing better is known."""
    known = KNOWN[code]
    return Finding(
        code=code,
        target=target,
        severity=known.severity if severity is None else severity,
        because=because,
        look_at=look_at or known.look_at,
        cause=known.cause,
        sure=known.sure,
    )
