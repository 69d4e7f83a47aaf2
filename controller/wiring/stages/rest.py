"""The resting position: what each board does when leases stop, without supply, and when it is lied to."""

from collections.abc import Sequence
from dataclasses import dataclass

from controller.site.model import Board
from controller.wiring.check import Check, Record, Result, Scope, Stage, judged
from controller.wiring.stages.channels import GOES_OFF_S, ask_lit, lit
from controller.wiring.step import (
    NO,
    Ask,
    BoardSeen,
    Notes,
    Seen,
    Stand,
    Step,
    Task,
    Until,
    may_switch,
)

LAPSE_ID, FORGED_ID = "rest/lapse", "rest/forged"
# Leases of the test live this long and are renewed so often: short, so that a lost connection soon heats.
LEASE_S, RENEW_S = 75.0, 20.0
# A board that rests later than its lease says, but within what the contract allows at most, is named so.
RESTS_AT_MOST_S = 345.0
LATE_S = 20.0
RESTART_MOST_S = 180.0
GONE_WITHIN_S = 40.0


def all_dark(scope: Scope, key: str = "dark", *, moved: bool = True) -> Stand:
    """Return the stand before a rest is shown: strings off and vents moved, both away from rest."""
    vents = frozenset(load.channel for load in scope.vents) if moved else frozenset[str]()
    return Stand(
        key=key,
        says="all strings off, so that their return can be seen",
        on=frozenset(),
        moved=vents,
        least_s=15.0,
        most_s=GOES_OFF_S,
        until=Until.ECHO,
    )


def tags_of(scope: Scope, board: Board) -> list[str]:
    """Return the tags of the strings on a board."""
    return [load.tag for load in scope.strings if load.board == board.name]


def exactly(tags: Sequence[str]) -> str:
    """Return the question whether just these are on."""
    return f"Is exactly this lit or moved now: {', '.join(tags) or 'nothing'}?"


@dataclass(frozen=True, slots=True)
class LapseCheck:
    """The lease is pulled: every string comes on by itself within the lease's time, every vent rests."""

    id: str = LAPSE_ID
    stage: Stage = Stage.REST

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Everything away from rest, then say nothing more."""
        expected = [load.tag for load in scope.strings]
        ready = may_switch(
            "Next everything is switched off and then no more leases are given: within "
            f"{LEASE_S:.0f} s all strings must come on by themselves "
            f"({sum(load.power_w for load in scope.strings):g} W)."
        )
        unplug = Ask(
            key="cold",
            task=Task.UNPLUG_PROBES,
            text="Boards with a thermostat of their own would rest in mild air: unplug the probes under the "
            "fleeces. Done?",
        )
        plug = Ask(
            key="plug",
            task=Task.PLUG_PROBES,
            text="Plug the probes in again, each in its own place. Done?",
        )
        has_own = any(board.own_thermostat for board in scope.site.boards)
        return (
            ready,
            *([unplug] if has_own else []),
            all_dark(scope),
            Stand(
                key="lapse",
                says="no lease is given now; the boards must come to rest by themselves",
                on=None,
                pulled=True,
                least_s=LEASE_S + 5.0,
                most_s=RESTS_AT_MOST_S,
                until=Until.ECHO,
            ),
            *ask_lit(scope, "lit", "Is every string lit now, and every vent at rest?", notes, expected),
            *([plug] if has_own else []),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if every string is back in time."""
        title = "Without leases everything rests by itself"
        if "lapse" not in notes:
            return judged(self, title, None, "not begun")
        late = {load.tag: came_on_s(notes["lapse"], load.channel) for load in scope.strings}
        bad = [tag for tag, s in late.items() if s is None or s > LEASE_S + LATE_S]
        on = lit(notes, "lit", [load.tag for load in scope.strings])
        missing = sorted({load.tag for load in scope.strings} - on) if on is not None else []
        moved = sorted(on & {load.tag for load in scope.vents}) if on is not None else []
        times = [s for s in late.values() if s is not None]
        words = (
            [f"echoed on within {max(times):.0f} s of the last word (lease {LEASE_S:.0f} s)"] if times else []
        )
        words += [f"not back in time by echo: {', '.join(bad)}"] if bad else []
        words += [f"seen dark: {', '.join(missing)}"] if missing else []
        words += [f"not at rest: {', '.join(moved)}"] if moved else []
        return judged(self, title, not bad and not missing and not moved, "; ".join(words))


def came_on_s(seen: Seen, channel: str) -> float | None:
    """Return when the echo showed a heater on again [s]; None if it never did."""
    return (seen.turned_s(channel) or 0.0) if seen.is_on(channel) else None


@dataclass(frozen=True, slots=True)
class ForgedCheck:
    """Leases that mean something else, and that a board must refuse: from before its start, and repeated."""

    id: str = FORGED_ID
    stage: Stage = Stage.REST

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """With everything off, forge leases that would only heat."""
        return (
            may_switch(
                "Next everything is switched off, and leases are given that each board must refuse; one "
                "that is obeyed can only heat."
            ),
            all_dark(scope, moved=False),
            Stand(
                key="boot",
                says="a lease made for another start of each board: it must be refused",
                on=frozenset(),
                forged="boot",
                most_s=12.0,
            ),
            all_dark(scope, "dark-2", moved=False),
            Stand(
                key="sequence",
                says="a lease given before: it must be refused",
                on=frozenset(),
                forged="sequence",
                most_s=12.0,
            ),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if nothing came on."""
        title = "Leases of another start, and repeated ones, are refused"
        if "sequence" not in notes:
            return judged(self, title, None, "not begun")
        bad = [
            f"{b.name} obeyed ({key})"
            for key in ("boot", "sequence")
            for b in scope.site.boards
            if obeyed(notes, key, b.name)
        ]
        return judged(self, title, not bad, "; ".join(bad) or "no output moved, by echo")


def obeyed(notes: Notes, key: str, board: str) -> bool:
    """Tell whether a board did what a forged lease said."""
    before = notes["dark" if key == "boot" else "dark-2"].boards.get(board, BoardSeen())
    seen = notes[key].boards.get(board, BoardSeen())
    return any(channel not in before.on for channel in seen.turned_s)


@dataclass(frozen=True, slots=True)
class SupplyCheck:
    """A board's supply pulled: its strings come on, its vents rest; given back: it starts with heat on."""

    board: Board
    stage: Stage = Stage.REST

    @property
    def id(self) -> str:
        """Its place in the record."""
        return f"rest/supply-{self.board.name}"

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Pull, look, give back, look or listen."""
        if not scope.attended:
            return ()
        name, tags = self.board.name, tags_of(scope, self.board)
        return (
            may_switch(
                f"Next everything is switched off, then you pull the supply of board {name} (its own plug, "
                f"not the strings' mains): its strings must come on ({', '.join(tags) or 'it has none'})."
            ),
            all_dark(scope),
            Ask(
                key="pull",
                task=Task.PULL_SUPPLY,
                target=name,
                text=f"Pull the supply of board {name} now. Is it out?",
            ),
            Stand(key="pulled", says=f"board {name} is without supply", on=frozenset(), most_s=GONE_WITHIN_S),
            *ask_lit(scope, "lit", exactly(tags), notes, tags),
            *(self._start_of_a_plain_one(notes, scope) if self.board.is_plain else self._give()),
            Stand(
                key="back",
                says=f"waiting for board {name} to speak again",
                on=None,
                board=name,
                least_s=10.0,
                most_s=RESTART_MOST_S,
                until=Until.RESTARTED,
            ),
        )

    def _give(self) -> Sequence[Step]:
        return (
            Ask(key="give", task=Task.GIVE_SUPPLY, target=self.board.name, text="Plug it in again. Done?"),
        )

    def _start_of_a_plain_one(self, notes: Notes, scope: Scope) -> Sequence[Step]:
        """Give it back while nobody tells it anything: only so can be seen how it starts by itself."""
        tags = tags_of(scope, self.board)
        return (
            Stand(
                key="mute",
                says=f"our connections to board {self.board.name} are cut, so that nobody tells it anything",
                on=frozenset(),
                cut=self.board.name,
                most_s=5.0,
            ),
            *self._give(),
            *ask_lit(scope, "start", f"Give it time to start. {exactly(tags)}", notes, tags),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if it rested without supply, said goodbye by its will, and came back with heat on."""
        title = f"Board {self.board.name} without supply rests, and starts with heat on"
        if "back" not in notes or notes.said("pull", NO):
            return judged(self, title, None, "nobody pulled its supply")
        tags = tags_of(scope, self.board)
        on = lit(notes, "lit", tags)
        words = [f"without supply seen on: {', '.join(sorted(on or ())) or 'nothing'}"]
        if self.board.is_plain:  # this program speaks for it, so neither will nor restart is its own
            start = lit(notes, "start", tags)
            words.append(f"started with nobody speaking to it: {', '.join(sorted(start or ())) or 'nothing'}")
            return judged(self, title, on == start == frozenset(tags), "; ".join(words))
        back = notes["back"].boards.get(self.board.name, BoardSeen())
        said, is_new = gone(notes, self.board.name), renewed(notes, self.board.name)
        heaters = {load.channel.partition("/")[2] for load in scope.strings if load.board == self.board.name}
        is_hot = back.restarted_s is not None and heaters <= set(back.first_on)
        words.append(f"its will was {'heard' if said else 'not heard'}")
        if back.restarted_s is None:
            words.append("it was not heard again")
        else:
            state = "all heaters on" if is_hot else "heaters off"
            words.append(f"heard again after {back.restarted_s:.0f} s with {state}")
            words += [] if is_new else ["under its old boot name"]
        return judged(self, title, on == frozenset(tags) and said and is_hot and is_new, "; ".join(words))


def gone(notes: Notes, board: str) -> bool:
    """Tell whether a board's will was heard once its supply was out: while it was pulled, or after."""
    return any(notes[key].boards.get(board, BoardSeen()).gone_s is not None for key in ("pull", "pulled"))


def renewed(notes: Notes, board: str) -> bool:
    """Tell whether a board took a new boot name when it started anew."""
    before = notes["dark"].boards.get(board, BoardSeen()).boots
    after = notes["back"].boards.get(board, BoardSeen()).boots
    return bool(after) and after[-1] not in before


def checks(scope: Scope) -> list[Check]:
    """Return the pulled lease, the forged leases, and each board's supply."""
    return [LapseCheck(), ForgedCheck(), *[SupplyCheck(board) for board in scope.site.boards]]
