"""Random states of a keeper about to decide, and an oracle that says what speaks against OFF.

State space
-----------
One tick of a keeper at a site of five trees, one of them with two probes, on two boards; so five tree states
a tick.  Drawn independently with a seeded generator, from a continuum and from the edges of each rule:

- of each probe: its last word (around the limit, exactly on it, 0.0, too hot, infinite, no number, what
  broken probes say), its age, its stamp (none, true, late, from the future), how many words it has said,
  whether all were 0.0, whether it has turned to another unit, its noise, for how long it has said the same
  and how far the others have moved since, whether it is far off, whether past days speak against it;
- of each tree: whether it was heated, for how long, whether it was too hot, hand orders (none, on, off, let
  go by name), the model's mean, spread and trust, whether heat was given since its last step, a doubt that
  stands;
- of each board: whether it was heard lately, by how much its timer lags, whether it starts again and again;
- whether the clock is to be trusted.

Each flaw is rare, so that most states have none or one: every rule then stands alone often enough to be
missed if it fails.  Left out: plans, which only add heat, and circuits, which only take part in findings.

The oracle goes by the drawn facts, not by the keeper's state, and by its own numbers.
"""

import math
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np

from controller.guard.decision import Reason
from controller.guard.events import GiveLease, Tick
from controller.guard.hand import HandOrder, Order, StandingOrder
from controller.guard.now import Now
from controller.guard.reading import ProbeMemory
from controller.guard.state import begin
from controller.guard.survey import Survey
from controller.guard.tree import TreeMemory
from controller.guard.witness import Word
from controller.keeper import handle
from controller.site.load import example_site, parse_site
from controller.thermal.filter import Estimate
from tests.conftest import DUSK

NOW_S = 1e6
BOARDS = ("east", "west")
_TEXT = example_site("curlew-yard").read_text()
SITE = parse_site(
    _TEXT.replace('probes = ["air-lemon"]', 'probes = ["air-lemon", "trunk-lemon"]')
    + '\n[[probe]]\nname = "trunk-lemon"\nmeasures = "tree"\n'
)
BASE = begin(SITE, "s1")
LIMITS = {rules.name: (rules.hold_c, rules.hand_off_floor_c) for rules in BASE.rules.trees}
ESTIMATE = Estimate(at_s=NOW_S, mean=np.zeros(1), covariance=np.zeros((1, 1)))


@dataclass
class ProbeFacts:
    """What is true of one probe."""

    temp_c: float
    age_s: float
    stamp_s: float | None  # how long ago it is dated; negative in the future
    words: int
    zeros: bool
    unit: bool
    rough_k2: float
    same_s: float
    others_moved_k: float
    far_off: bool
    suspect: bool


@dataclass
class TreeFacts:
    """What is true of one tree."""

    name: str
    probes: dict[str, ProbeFacts]
    heating: bool
    heating_s: float
    was_too_hot: bool
    order: str
    mean_c: float
    spread_k: float
    trusted: bool
    heat_uncounted: bool
    doubted: bool


# ---- the generator ------------------------------------------------------------------------------------

RARE = 0.03


def draw_probe(rng, hold_c):
    """Return a probe's facts, mostly sound and near the limit."""
    flaw = rng.random(11) < RARE
    temp_c = float(rng.choice([hold_c, hold_c + 0.5, hold_c + 0.0625, 0.0])) if rng.random() < 0.1 else (
        hold_c + float(rng.normal(1.0, 2.0))
    )  # fmt: skip
    if flaw[0]:
        temp_c = float(
            rng.choice([math.nan, math.inf, -math.inf, 85.0, -127.0, 127.94, 60.0625, -40.0625, 36.0, 32.0])
        )
    age_s = float(rng.choice([121.0, 200.0, 1e5])) if flaw[1] else float(rng.uniform(0.0, 120.0))
    stamp_s = None if rng.random() < 0.3 else age_s
    if flaw[2]:
        stamp_s = float(rng.choice([-61.0, -3600.0, -1e7]))
    elif flaw[3]:
        stamp_s = float(rng.choice([121.0, 1200.0, 1e7]))
    return ProbeFacts(
        temp_c=temp_c,
        age_s=age_s,
        stamp_s=stamp_s,
        words=int(rng.integers(0, 3)) if flaw[4] else int(rng.integers(3, 1000)),
        zeros=bool(flaw[5]),
        unit=bool(flaw[6]),
        rough_k2=float(rng.uniform(0.26, 2.0)) if flaw[7] else float(rng.uniform(0.0, 0.25)),
        same_s=float(rng.choice([2700.0, 9000.0])) if rng.random() < 0.2 else float(rng.uniform(0, 2699)),
        others_moved_k=float(rng.choice([1.0, 3.0])) if flaw[8] else float(rng.uniform(0.0, 0.95)),
        far_off=bool(flaw[9]),
        suspect=bool(flaw[10]),
    )


def draw_tree(rng, tree):
    """Return a tree's facts; the model mostly agrees with its probe, and now and then not at all."""
    hold_c, _ = LIMITS[tree.name]
    probes = {name: draw_probe(rng, hold_c) for name in tree.probes}
    temp_c = next(iter(probes.values())).temp_c
    about_c = temp_c if math.isfinite(temp_c) else hold_c
    return TreeFacts(
        name=tree.name,
        probes=probes,
        heating=bool(rng.random() < 0.3),
        heating_s=float(rng.uniform(0.0, 600.0)),
        was_too_hot=bool(rng.random() < 0.03),
        order=str(rng.choice(["", "hand-on", "hand-off", "let-go"], p=[0.7, 0.05, 0.2, 0.05])),
        mean_c=about_c + float(rng.normal(0.0, 4.0) if rng.random() < 0.2 else rng.normal(0.0, 0.3)),
        spread_k=float(rng.uniform(0.3, 1.5)),
        trusted=bool(rng.random() < 0.85),
        heat_uncounted=bool(rng.random() < 0.1),
        doubted=bool(rng.random() < 0.1),
    )


def memory_of(name, facts, now):
    """Return what a keeper remembers of such a probe."""
    at = None if facts.stamp_s is None else now.utc - timedelta(seconds=facts.stamp_s)
    return ProbeMemory(
        temp_c=facts.temp_c,
        at=at,
        heard_s=NOW_S - facts.age_s,
        same_since_s=NOW_S - facts.same_s,
        others_c={"house": 5.0 - facts.others_moved_k, name: -50.0},
        said_c=facts.temp_c,
        raw_c=facts.temp_c,
        said_s=NOW_S - facts.age_s,
        words=facts.words,
        zeros_only=facts.zeros,
        other_unit=facts.unit,
        rough_k2=facts.rough_k2,
    )


def order_of(tree, position):
    """Return a standing hand order."""
    order = HandOrder(
        id="o",
        who="Nora",
        target_kind="tree",
        target=tree,
        until=DUSK + timedelta(days=999),
        order=Order.HAND_ON if position == "hand-on" else Order.HAND_OFF,
        consent=f"let the {tree} go" if position == "let-go" else "",
    )
    return StandingOrder(order=order, ends_s=NOW_S + 3600.0)


@dataclass(frozen=True)
class Board:
    """The facts of a board."""

    silent: bool
    lag_s: float
    unsteady: bool

    @property
    def unfit(self):
        """Why it may let nothing rest."""
        found = {"silent": self.silent, "slow": self.lag_s > 60.0, "unsteady": self.unsteady}
        return [name for name, is_so in found.items() if is_so]


def draw_board(rng):
    """Return a board, mostly a sound one."""
    return Board(
        silent=bool(rng.random() < 0.1),
        lag_s=float(rng.choice([0.0, 30.0, 60.0, 60.1, 3600.0], p=[0.6, 0.2, 0.1, 0.05, 0.05])),
        unsteady=bool(rng.random() < 0.05),
    )


def draw(rng):
    """Return a state, the present, the facts of its trees and of its boards."""
    now = Now(mono_s=NOW_S, utc=DUSK, clock_trusted=bool(rng.random() < 0.8))
    trees = [draw_tree(rng, tree) for tree in SITE.trees]
    probes = {name: facts for tree in trees for name, facts in tree.probes.items()}
    facts_of = {board: draw_board(rng) for board in BOARDS}
    boards = {
        name: replace(
            memory,
            boot="b1",
            heard_s=NOW_S - (91.0 if facts_of[name].silent else 10.0),
            lag_s=facts_of[name].lag_s,
            unsteady_until_s=NOW_S + 600.0 if facts_of[name].unsteady else -math.inf,
        )
        for name, memory in BASE.boards.items()
    }
    state = replace(
        BASE,
        probes={name: memory_of(name, facts, now) for name, facts in probes.items()},
        latest_c={"house": 5.0, **{name: facts.temp_c for name, facts in probes.items()}},
        boards=boards,
        survey=Survey(at_s=NOW_S, far_off=frozenset(name for name, facts in probes.items() if facts.far_off)),
        suspects=frozenset(name for name, facts in probes.items() if facts.suspect),
        looked_s=NOW_S,
        orders={("tree", tree.name): order_of(tree.name, tree.order) for tree in trees if tree.order},
        trees={
            tree.name: TreeMemory(
                heating=tree.heating,
                reason=Reason.TOO_HOT if tree.was_too_hot else Reason.COLD,
                changed_s=NOW_S - tree.heating_s,
                doubted_s=NOW_S - 60.0 if tree.doubted else math.inf,
                last_doubted_s=NOW_S - 60.0 if tree.doubted else -math.inf,
            )
            for tree in trees
        },
        witness=replace(
            BASE.witness,
            estimate=ESTIMATE,
            joules=tuple(1e4 * tree.heat_uncounted for tree in trees),
            words=tuple(
                Word(mean_c=tree.mean_c, spread_k=tree.spread_k, trusted=tree.trusted) for tree in trees
            ),
        ),
    )
    return state, now, trees, facts_of


# ---- the oracle ---------------------------------------------------------------------------------------


def flaws(facts, *, clock_trusted):
    """Return why a probe's word is worth nothing."""
    found = []
    if not math.isfinite(facts.temp_c):
        found.append("no number")
    elif facts.temp_c > 60.0 or facts.temp_c < -40.0:
        found.append("impossible")
    if facts.age_s > 120.0:
        found.append("silent")
    if clock_trusted and facts.stamp_s is not None and facts.stamp_s > 120.0:
        found.append("dated long ago")
    if clock_trusted and facts.stamp_s is not None and facts.stamp_s < -60.0:
        found.append("from the future")
    found += [
        name
        for name, is_so in {
            "first words": facts.words < 3,
            "zeros": facts.zeros,
            "another unit": facts.unit,
            "noise": facts.rough_k2 > 0.25,
            "frozen": facts.same_s >= 45 * 60.0 and facts.others_moved_k >= 1.0,
            "far off": facts.far_off,
        }.items()
        if is_so
    ]
    return found


def objections(tree, *, clock_trusted):
    """Return all that speaks against resting a tree's heat; empty where OFF is justified.

    Heat is also cut, whatever else, by a sound word of 35 °C or more, and until 30 °C once it was.
    """
    hold_c, _ = LIMITS[tree.name]
    sound = {name: p for name, p in tree.probes.items() if not flaws(p, clock_trusted=clock_trusted)}
    if not sound:
        first = next(iter(tree.probes.values()))
        is_burning = tree.was_too_hot and 60.0 < first.temp_c < math.inf
        is_burning = is_burning and first.temp_c not in {85.0, 127.94}
        against = flaws(first, clock_trusted=clock_trusted)
        return [] if is_burning and against[0] == "impossible" else against
    coldest = min(sound.values(), key=lambda probe: probe.temp_c)
    temp_c = coldest.temp_c
    if temp_c >= 35.0 or (tree.was_too_hot and temp_c > 30.0):
        return []
    found = []
    lowest_c, highest_c = tree.mean_c - 2.0 * tree.spread_k, tree.mean_c + 2.0 * tree.spread_k
    heard = tree.trusted and (tree.doubted or not tree.heat_uncounted)
    if heard and temp_c > highest_c and lowest_c <= hold_c:
        found.append("the model")
    if coldest.suspect and not (heard and lowest_c > hold_c):
        found.append("past days")
    return found + _unwanted(tree, temp_c)


def _unwanted(tree, temp_c):
    """Return why a tree that its probe shows as so warm is to be heated all the same."""
    hold_c, floor_c = LIMITS[tree.name]
    is_auto = tree.order == ""
    reasons = {
        "a person": tree.order == "hand-on",
        "fruit would be lost": tree.order == "hand-off" and temp_c <= floor_c,
        "cold": is_auto and temp_c <= hold_c,
        "not yet warm": is_auto and tree.heating and hold_c < temp_c <= hold_c + 0.5,
        "just begun": is_auto and tree.heating and temp_c > hold_c + 0.5 and tree.heating_s < 120.0,
    }
    return [name for name, is_so in reasons.items() if is_so]


# ---- one tick -----------------------------------------------------------------------------------------


@dataclass
class Tally:
    """What some ticks came to: tree states, strings let off, and what stood alone against how many."""

    states: int = 0
    offs: int = 0
    justified: int = 0
    wrong: list = None
    alone: dict = None

    def __post_init__(self):
        self.wrong, self.alone = [], {}


def play(seed, ticks, tally=None):
    """Let a keeper decide in so many random states, and compare with the oracle."""
    rng, tally = np.random.default_rng(seed), tally or Tally()
    for _ in range(ticks):
        state, now, trees, facts_of = draw(rng)
        _, actions = handle(state, Tick(), now)
        leases = {a.lease.board: a.lease for a in actions if isinstance(a, GiveLease)}
        for number, tree in enumerate(trees, start=1):
            against = objections(tree, clock_trusted=now.clock_trusted)
            off = [board for board, lease in leases.items() if str(number) in lease.off]
            tally.states += 1
            tally.offs += bool(off)
            tally.justified += not against
            unfit = {board: facts_of[board].unfit for board in off if facts_of[board].unfit}
            if off and (against or unfit):
                tally.wrong.append((tree, against, unfit))
            if len(against) == 1:
                tally.alone[against[0]] = tally.alone.get(against[0], 0) + 1
            for board in facts_of.values():
                if not against and len(board.unfit) == 1:
                    name = f"a board that is {board.unfit[0]}"
                    tally.alone[name] = tally.alone.get(name, 0) + 1
    return tally
