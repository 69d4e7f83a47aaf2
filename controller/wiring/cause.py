"""What can be wrong with a site's wires: each cause with what it is and how to mend it.

Where no evidence at hand separates two causes, one name stands for both and its remedy says the next look.
"""

from dataclasses import dataclass
from enum import StrEnum


class Cause(StrEnum):
    """What is wrong."""

    # boards
    BOARD_UNHEARD = "board-unheard"
    BOARD_RESTARTS = "board-restarts"
    BOARD_DOUBLED = "board-doubled"
    BOARD_SELDOM_HEARD = "board-seldom-heard"
    BOARD_CLOCK_WRONG = "board-clock-wrong"
    BOARDS_SWAPPED = "boards-swapped"
    LEASE_UNHEARD = "lease-unheard"
    ECHO_STANDS_STILL = "echo-stands-still"
    ECHO_WITHOUT_EFFECT = "echo-without-effect"
    LEASE_NEVER_ENDS = "lease-never-ends"
    LEASE_ENDS_LATE = "lease-ends-late"
    OBEYS_OTHER_BOOT = "obeys-other-boot"
    OBEYS_OLD_SEQUENCE = "obeys-old-sequence"
    WILL_MISSING = "will-missing"
    STARTS_OFF = "starts-off"
    BOOT_KEPT = "boot-kept"
    MINIMUM_ON_MISSING = "minimum-on-missing"
    HEAT_DELAYED = "heat-delayed"
    # boards that know only texts
    TEXTS_UNHEARD = "texts-unheard"
    TEXT_ECHO_UNHEARD = "text-echo-unheard"
    TEXT_WILL_UNSAID = "text-will-unsaid"
    TEXT_STRANGER = "text-stranger"
    LAST_TEXT_KEPT = "last-text-kept"
    # probes
    PROBE_UNHEARD = "probe-unheard"
    PROBE_GARBLED = "probe-garbled"
    PROBE_STANDS_STILL = "probe-stands-still"
    PROBES_SWAPPED = "probes-swapped"
    PROBE_DOUBLED = "probe-doubled"
    PROBE_FAR_OFF = "probe-far-off"
    PROBE_AT_LAMP = "probe-at-lamp"
    # channels
    CHANNELS_SWAPPED = "channels-swapped"
    TWO_ON_ONE_CHANNEL = "two-on-one-channel"
    CHANNEL_INVERTED = "channel-inverted"
    WORKING_CONTACT = "working-contact"
    CONTACT_STAYS_CLOSED = "contact-stays-closed"
    COIL_DEAD = "coil-dead"
    CONTACT_STAYS_OPEN = "contact-stays-open"
    VENT_STAYS_ON = "vent-stays-on"
    VENT_DEAD = "vent-dead"
    VENT_RESTS_WRONG = "vent-rests-wrong"
    # circuits
    CIRCUIT_DEAD = "circuit-dead"
    STRING_ON_OTHER_CIRCUIT = "string-on-other-circuit"
    BREAKER_TRIPS = "breaker-trips"
    NEUTRAL_SHARED = "neutral-shared"
    METERS_SWAPPED = "meters-swapped"
    RCD_DEAD = "rcd-dead"
    # strings
    STRING_DEAD = "string-dead"
    STRING_PARTLY_DEAD = "string-partly-dead"
    STRING_OF_OTHER_POWER = "string-of-other-power"
    STRING_ON_OTHER_TREE = "string-on-other-tree"
    STRINGS_ON_EACH_OTHERS_TREES = "strings-on-each-others-trees"
    STRING_WARMS_NOTHING = "string-warms-nothing"
    LAMP_NEAR_FABRIC = "lamp-near-fabric"
    STRING_STAYS_DARK = "string-stays-dark"
    # guards
    FROST_STAT_STAYS_CLOSED = "frost-stat-stays-closed"
    FROST_STAT_STAYS_OPEN = "frost-stat-stays-open"
    FROST_STAT_SET_LOW = "frost-stat-set-low"
    FROST_STAT_SET_HIGH = "frost-stat-set-high"
    CUT_OUT_DOES_NOT_OPEN = "cut-out-does-not-open"
    CUT_OUT_STAYS_OPEN = "cut-out-stays-open"


@dataclass(frozen=True, slots=True)
class Known:
    """What a cause is, and what to do about it."""

    what: str
    mend: str


KNOWN: dict[Cause, Known] = {
    Cause.BOARD_UNHEARD: Known(
        "the board is not heard on the bus",
        "look at its supply, its network and the site and board names in its settings",
    ),
    Cause.BOARD_RESTARTS: Known(
        "the board starts anew again and again",
        "look at its supply first: a larger one, a shorter lead, coils fed apart from its processor",
    ),
    Cause.BOARD_DOUBLED: Known(
        "two boards speak under one name",
        "give one of them its own name in its settings and in the site file",
    ),
    Cause.BOARD_SELDOM_HEARD: Known(
        "the board echoes less often than it should",
        "look at its radio reception; set its echo to every 30 s or say its true period in the site file",
    ),
    Cause.BOARD_CLOCK_WRONG: Known(
        "the board's clock is wrong (nothing is decided by it, but its stamps mislead people)",
        "give it a time server, or let it leave its stamps out",
    ),
    Cause.BOARDS_SWAPPED: Known(
        "two boards answer to each other's names",
        "exchange their names in their settings, or their places in the site file",
    ),
    Cause.LEASE_UNHEARD: Known(
        "the board speaks but hears no lease",
        "look at the topic it listens to and at its rights at the broker",
    ),
    Cause.ECHO_STANDS_STILL: Known(
        "the board obeys, but its echo does not say so",
        "its program must echo what its outputs do; without that nobody sees a stuck relay",
    ),
    Cause.ECHO_WITHOUT_EFFECT: Known(
        "the board echoes off, but none of its relays moves: its coils have no supply, or its echo lies",
        "look at the supply of the relays' coils and the ribbon to them; if it is there, the "
        "program's echo is false",
    ),
    Cause.LEASE_NEVER_ENDS: Known(
        "the board holds heaters off when leases stop: it would freeze trees with a dead controller",
        "do not use this board until its program obeys the lease's time",
    ),
    Cause.LEASE_ENDS_LATE: Known(
        "the board holds heaters off for longer than the lease says",
        "its program must count the lease's own time, on a timer that does not jump",
    ),
    Cause.OBEYS_OTHER_BOOT: Known(
        "the board obeys a lease made for another start of it",
        "its program must compare the lease's 'boot' with its own",
    ),
    Cause.OBEYS_OLD_SEQUENCE: Known(
        "the board obeys a lease it was given before",
        "its program must refuse a number that is not higher than the last of the session",
    ),
    Cause.WILL_MISSING: Known(
        "the board's connection was lost and nobody was told",
        "give its connection a will on its alive topic (README, 'Talk to it')",
    ),
    Cause.STARTS_OFF: Known(
        "the board starts with heaters off",
        "its program must begin with every coil dead, not with the last state",
    ),
    Cause.BOOT_KEPT: Known(
        "the board keeps its boot name when it starts anew",
        "its program must draw a new one at each start, so that old leases are void",
    ),
    Cause.MINIMUM_ON_MISSING: Known(
        "the board rests a heater sooner than two minutes after it came on",
        "its program must keep it on for 120 s: it spares contacts and lamps",
    ),
    Cause.HEAT_DELAYED: Known(
        "the board waits before it lets a heater come on",
        "its program must never delay heat",
    ),
    Cause.TEXTS_UNHEARD: Known(
        "the board does not do what is said on the topics that the site file names",
        "compare topics and texts with the board's own settings, letter by letter, and see that the broker "
        "lets it hear them; where it echoes nothing, see also that its relays' coils have a supply",
    ),
    Cause.TEXT_ECHO_UNHEARD: Known(
        "the board does not echo as the site file says: it is off, cut off, or its echo goes elsewhere",
        "look whether it runs and is in the network; then compare the echo's topic and texts; a board that "
        "echoes nothing is declared without echo_topic",
    ),
    Cause.TEXT_WILL_UNSAID: Known(
        "the broker does not say heat when this computer dies: strings that rest then stay off",
        "look at the broker's access list (each client may write its channel's topic, also by its will) and "
        "at bridges between broker and board, which must carry it; no string may hang here until it is seen",
    ),
    Cause.TEXT_STRANGER: Known(
        "somebody else switches the board by the same topic",
        "find the program, button or schedule that says it and end it; let only this controller write there",
    ),
    Cause.LAST_TEXT_KEPT: Known(
        "cut off from the network the board keeps its last text, though the site file says that it rests",
        'set it to let its coils go dead when it loses the broker, or declare cut_off = "keeps" and hang no '
        "tree's every string on it",
    ),
    Cause.PROBE_UNHEARD: Known(
        "the probe is not heard",
        "look at its plug and cable, then at its name in the board's settings",
    ),
    Cause.PROBE_GARBLED: Known(
        "what the probe sends is no reading",
        "look at its plug and cable for a broken or wet wire; then at the board's payload",
    ),
    Cause.PROBE_STANDS_STILL: Known(
        "the probe says the same whatever it feels",
        "replace it; if the new one stands still too, look at the board's program",
    ),
    Cause.PROBES_SWAPPED: Known(
        "these probes answer in each other's places",
        "exchange them at their plugs, or their names in the board's settings",
    ),
    Cause.PROBE_DOUBLED: Known(
        "one sensor answers under two names",
        "look for the second sensor: it is not wired, or its address is written twice",
    ),
    Cause.PROBE_FAR_OFF: Known(
        "the probe is more than 1 K off in melting ice",
        "replace it; a probe so far off is broken and gets worse",
    ),
    Cause.PROBE_AT_LAMP: Known(
        "the probe hangs at a lamp: it feels the string, not the tree",
        "hang it at fruit height, a hand's breadth from every lamp, shaded from it by a leaf",
    ),
    Cause.CHANNELS_SWAPPED: Known(
        "these channels switch each other's loads",
        "exchange their wires at the relays, or the channels in the site file",
    ),
    Cause.TWO_ON_ONE_CHANNEL: Known(
        "two strings hang on one channel, and another switches nothing",
        "move the second string to its own channel: one channel, one load",
    ),
    Cause.CHANNEL_INVERTED: Known(
        "the channel works the wrong way round: its relay is driven when it should rest",
        "set the board's output to the relay's logic (active low or high); do not exchange the contacts",
    ),
    Cause.WORKING_CONTACT: Known(
        "the string hangs on the working contact: with the board dead it stays cold",
        "move it to the resting contact (NC)",
    ),
    Cause.CONTACT_STAYS_CLOSED: Known(
        "the string stays on although its relay moves: the contact is welded, or it is wired past the relay",
        "take the wire off the relay's contact: dark, the contact is welded (replace the relay, look at the "
        "inrush); still lit, it is wired past it",
    ),
    Cause.COIL_DEAD: Known(
        "the relay does not move: its coil or driver is dead (the string stays on, which is the safe side)",
        "replace the relay; then look at the board's output",
    ),
    Cause.CONTACT_STAYS_OPEN: Known(
        "mains reaches the relay but not the string: its contact is burnt, or a wire there is off",
        "replace the relay, tighten its terminals",
    ),
    Cause.VENT_STAYS_ON: Known(
        "the vent runs or stands open whatever is switched",
        "look whether its contact is welded, it is wired past it, or its flap is jammed",
    ),
    Cause.VENT_DEAD: Known(
        "the vent never moves",
        "look at its supply, its contact and its motor, in this order",
    ),
    Cause.VENT_RESTS_WRONG: Known(
        "the vent rests the other way than the site file says",
        "move it to the other contact, or declare its rest as it is if that is meant",
    ),
    Cause.CIRCUIT_DEAD: Known(
        "the circuit has no mains",
        "look at its breaker and residual-current device",
    ),
    Cause.STRING_ON_OTHER_CIRCUIT: Known(
        "the string is fed by another circuit than declared",
        "move its feed, or declare the true circuit: loads are summed by it",
    ),
    Cause.BREAKER_TRIPS: Known(
        "the breaker does not hold with all its strings on, as the fail-safe has them",
        "compare breaker and strings with the site file; move strings to another circuit",
    ),
    Cause.NEUTRAL_SHARED: Known(
        "current of this circuit comes back by another circuit's neutral, which may carry both",
        "have a licensed electrician give each circuit its own neutral before anything is left on",
    ),
    Cause.METERS_SWAPPED: Known(
        "the power meters answer for each other's circuits",
        "exchange their names in their settings",
    ),
    Cause.RCD_DEAD: Known(
        "a residual-current device does not trip by its button",
        "stop here: a licensed electrician must replace it before anything is used",
    ),
    Cause.STRING_DEAD: Known(
        "there is voltage at the string's plug and it stays dark",
        "replace the string",
    ),
    Cause.STRING_PARTLY_DEAD: Known(
        "a part of the string is dead",
        "replace the string: it heats only in part",
    ),
    Cause.STRING_OF_OTHER_POWER: Known(
        "the string has another power than the site file says",
        "fit the declared string, or declare this one: circuits are summed and trees sized by it",
    ),
    Cause.STRING_ON_OTHER_TREE: Known(
        "the string lies under another tree's fleece",
        "move it to its own tree",
    ),
    Cause.STRINGS_ON_EACH_OTHERS_TREES: Known(
        "these strings lie under each other's trees",
        "exchange them at the trees, or at their plugs",
    ),
    Cause.STRING_WARMS_NOTHING: Known(
        "the string is lit but no probe grows warm: it does not lie under a fleece, or far from its probe",
        "look where it lies and whether its probe hangs in the same crown",
    ),
    Cause.LAMP_NEAR_FABRIC: Known(
        "a lamp is too near to fleece, leaf or plastic",
        "keep 5 to 10 cm everywhere, with a frame or spacers",
    ),
    Cause.STRING_STAYS_DARK: Known(
        "the string does not come on, or draws nothing",
        "have an electrician follow its feed with a tester: relay, frost-stat, cut-out, plug",
    ),
    Cause.FROST_STAT_STAYS_CLOSED: Known(
        "the frost-stat does not open in mild air: it is bridged or stuck",
        "have an electrician fit a working one in series before the string is used",
    ),
    Cause.FROST_STAT_STAYS_OPEN: Known(
        "the frost-stat does not close: the string could never heat",
        "replace it; see that its setting was at the highest",
    ),
    Cause.FROST_STAT_SET_LOW: Known(
        "the frost-stat opens below the temperature to be held: it would fight the control",
        "set it 2 to 5 K above freezing (common practice)",
    ),
    Cause.FROST_STAT_SET_HIGH: Known(
        "the frost-stat opens too late: after a failure the string would heat on mild days",
        "set it 2 to 5 K above freezing (common practice)",
    ),
    Cause.CUT_OUT_DOES_NOT_OPEN: Known(
        "the over-temperature cut-out does not open: it is bridged, missing or stuck",
        "have an electrician fit a working one in series before the string is used",
    ),
    Cause.CUT_OUT_STAYS_OPEN: Known(
        "the over-temperature cut-out stays open",
        "reset it; if it opens again cold, replace it; see that no lamp touches it",
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """One thing that is wrong, what it concerns, and the evidence in a sentence."""

    cause: Cause
    targets: tuple[str, ...]
    because: str

    @property
    def sentence(self) -> str:
        """All of it for people."""
        return f"{', '.join(self.targets)}: {KNOWN[self.cause].what} ({self.because})"
