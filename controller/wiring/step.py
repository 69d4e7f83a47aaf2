"""The steps a check is made of, and what was seen in each.

A check asks a person (``Ask``) or holds outputs for a while and watches (``Stand``).  What was seen is all
that is kept: the next step, each result and each diagnosis follow from it, so a test that was broken off
goes on from its record.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

YES, NO = "yes", "no"
YES_NO = (YES, NO)
# A reading kept every so often is enough to judge by [s]; one more than so many is not kept.
MOST_READINGS = 800
RISE_K = 1.0
# A question that nobody answers for this long ends the test: nothing is left switched for ever [s].
ANSWER_WITHIN_S = 900.0


class Until(StrEnum):
    """When a stand ends before its longest time."""

    TIME = "time"  # never
    ECHO = "echo"  # once every board heard echoes what is wanted
    WARMER = "warmer"  # once a probe has risen clearly
    RESTARTED = "restarted"  # once the board speaks under a new boot name


class Task(StrEnum):
    """What a person is asked to do with their hands."""

    NOTHING = ""
    COVER = "cover the trees"
    STATS_UP = "turn the frost-stats up"
    STAT_BACK = "turn a frost-stat back"
    STATS_BACK = "turn the frost-stats back"
    HEAT_CUT_OUT = "warm a cut-out"
    COOL_CUT_OUT = "let a cut-out cool"
    PULL_SUPPLY = "pull a board's supply"
    GIVE_SUPPLY = "give a board's supply back"
    BREAKER_OFF = "switch a breaker off"
    BREAKER_ON = "switch a breaker on"
    HOLD_PROBE = "hold a probe"
    RELEASE_PROBE = "let go of a probe"
    ICE_BATH = "put the probes in ice"
    HANG_BACK = "hang the probes back"
    UNPLUG_PROBES = "unplug the probes under the fleeces"
    PLUG_PROBES = "plug the probes in again"
    CUT_NETWORK = "cut a board off its network"
    GIVE_NETWORK = "give a board its network back"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stand:
    """Outputs held for a while and watched.

    ``on`` are the heaters that shall heat, all others being off; None puts everything to rest, by a lease
    that permits nothing or, ``pulled``, by none at all, so that boards rest by themselves.  ``forged``
    also sends one lease that every board must refuse.  ``cut`` is a board that knows only texts: our own
    connections to it break without a goodbye, and stay so until the next stand that does not name it.
    ``rise_k`` is how far a probe has to rise for ``Until.WARMER``.
    """

    key: str
    says: str
    on: frozenset[str] | None
    moved: frozenset[str] = frozenset()
    least_s: float = 5.0
    most_s: float
    until: Until = Until.TIME
    board: str = ""
    pulled: bool = False
    forged: str = ""
    cut: str = ""
    rise_k: float = RISE_K
    sample_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """A question, or hands to lend; without choices it is answered yes or no.

    ``view`` says what has to be looked at, for whoever can look by itself (a rehearsal).
    """

    key: str
    text: str
    task: Task = Task.NOTHING
    target: str = ""
    view: str = ""
    choices: tuple[str, ...] = YES_NO
    several: bool = False
    confirms_switching: bool = False
    waits_s: float = ANSWER_WITHIN_S


Step = Stand | Ask


def may_switch(text: str) -> Ask:
    """Return the question that says what will be switched next, and asks for leave."""
    return Ask(key="ready", confirms_switching=True, text=f"{text} May it begin?")


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardSeen:
    """What a board did during a stand, times counted from its beginning [s]."""

    echoes: int = 0
    boots: tuple[str, ...] = ()
    first_s: float = 0.0
    last_s: float = 0.0
    longest_gap_s: float = 0.0
    uptime_s: float = 0.0
    skew_s: float | None = None
    on: tuple[str, ...] = ()
    # per channel that turned: when its echo last showed it otherwise than before
    turned_s: Mapping[str, float] = field(default_factory=dict)
    obeyed_s: float | None = None
    gone_s: float | None = None
    # of a board that started anew meanwhile: when it was heard again, and what was on then
    restarts: int = 0
    restarted_s: float | None = None
    first_on: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What one step brought: an answer, or what was watched; ``utc_s`` is when it began, since 1970."""

    answer: tuple[str, ...] = ()
    text: str = ""
    utc_s: float = 0.0
    lasted_s: float = 0.0
    boards: Mapping[str, BoardSeen] = field(default_factory=dict)
    power_w: Mapping[str, float] = field(default_factory=dict)
    power_s: Mapping[str, float] = field(default_factory=dict)
    readings: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    garbled: Mapping[str, int] = field(default_factory=dict)
    # per channel of a board that knows only texts: when the text of its rest, and its own echo of that, was
    # first heard [s]; and how many texts were heard that move it away from rest
    rest_said_s: Mapping[str, float] = field(default_factory=dict)
    rest_echoed_s: Mapping[str, float] = field(default_factory=dict)
    moves_said: Mapping[str, int] = field(default_factory=dict)

    @property
    def is_yes(self) -> bool:
        """Whether a person said yes."""
        return self.answer == (YES,)

    def rise_k(self, probe: str) -> float:
        """Return how far a probe rose above its lowest reading before [K]; 0 where it said too little."""
        return max((c - lowest_c for _, c, lowest_c in self._over_lowest(probe)), default=0.0)

    def warmed_s(self, probe: str, by_k: float) -> float:
        """Return when a probe had first risen so far above its lowest [s]; infinity if it never did."""
        return next((s for s, c, lowest_c in self._over_lowest(probe) if c - lowest_c >= by_k), math.inf)

    def _over_lowest(self, probe: str) -> Iterator[tuple[float, float, float]]:
        """Yield each reading with the lowest so far: what still cools from before cannot hide a rise."""
        lowest_c = math.inf
        for s, c in self.readings.get(probe, ()):
            lowest_c = min(lowest_c, c)
            yield s, c, lowest_c

    def is_on(self, channel: str) -> bool | None:
        """Return what the echo said of a channel at the end; None where its board was not heard."""
        board, _, name = channel.partition("/")
        seen = self.boards.get(board)
        return None if seen is None or not seen.echoes else name in seen.on

    def turned_s(self, channel: str) -> float | None:
        """Return when the echo showed a channel turn, from the stand's beginning [s]."""
        board, _, name = channel.partition("/")
        return self.boards[board].turned_s.get(name) if board in self.boards else None


class Notes(Mapping[str, Seen]):
    """What was seen in one check so far, by the steps' keys."""

    def __init__(self, seen: Mapping[str, Seen] | None = None) -> None:
        self._seen = dict(seen or {})

    def __getitem__(self, key: str) -> Seen:
        return self._seen[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._seen)

    def __len__(self) -> int:
        return len(self._seen)

    def said(self, key: str, word: str) -> bool:
        """Tell whether a question was answered with a word."""
        return key in self._seen and word in self._seen[key].answer

    def with_(self, key: str, seen: Seen) -> "Notes":
        """Return these notes and one more."""
        return Notes({**self._seen, key: seen})


def first_not_done(steps: Sequence[Step], notes: Notes) -> Step | None:
    """Return the first step that was not made yet."""
    return next((step for step in steps if step.key not in notes), None)
