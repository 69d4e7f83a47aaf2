"""Boards that know only texts: what they do when this program, or the broker, is lost to them.

Such a board keeps its last text.  So each channel has a connection of its own whose will is the text of its
rest (``bus/plain.py``), and a site file may declare that a board rests by itself when it is cut off.  Neither
is believed unseen: here our own connections are broken without a goodbye, and the board's network is cut.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from controller.bus.plain import plain_boards
from controller.site.model import Board
from controller.wiring.check import Check, Record, Result, Scope, Stage, judged
from controller.wiring.stages.channels import ask_lit, lit
from controller.wiring.stages.rest import all_dark, exactly, tags_of
from controller.wiring.step import NO, Ask, Notes, Seen, Stand, Step, Task, may_switch

# A broker says a will at once when a connection breaks, and after one and a half keepalives of 10 s when it
# only falls silent [s]; some seconds more for the board's echo.
WILL_WITHIN_S = 20.0
# A board that is cut off finds out by its own keepalive, of commonly 15 to 60 s (common practice, no source).
RESTS_WITHIN_S = 120.0


@dataclass(frozen=True, slots=True)
class WillCheck:
    """Our connections to a board broken: the broker says every channel's rest, and the board takes it."""

    board: Board
    stage: Stage = Stage.REST

    @property
    def id(self) -> str:
        """Its place in the record."""
        return f"rest/will-{self.board.name}"

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Everything away from rest, break off, look, connect again."""
        name, tags = self.board.name, tags_of(scope, self.board)
        return (
            may_switch(
                f"Next everything is switched off, then our own connections to board {name} are broken off, "
                f"as if this computer had died: within {WILL_WITHIN_S:.0f} s its strings must come on "
                f"({', '.join(tags) or 'it has none'})."
            ),
            all_dark(scope),
            Stand(
                key="cut",
                says=f"our connections to board {name} are broken off; the broker must say its wills",
                on=frozenset(),
                cut=name,
                least_s=WILL_WITHIN_S,
                most_s=WILL_WITHIN_S,
            ),
            *ask_lit(scope, "lit", exactly(tags), notes, tags),
            Stand(key="back", says=f"connecting to board {name} again", on=None, most_s=10.0),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if every text was heard, every echo agreed and every string was seen lit."""
        title = f"Board {self.board.name} rests by the broker's word when this computer dies"
        if "cut" not in notes:
            return judged(self, title, None, "not begun")
        seen, tags = notes["cut"], tags_of(scope, self.board)
        unsaid, unechoed = unsaid_in(seen, scope, self.board), unechoed_in(seen, scope, self.board)
        on, echoed = lit(notes, "lit", tags), _is_echoed(self.board)
        said_s = [seen.rest_said_s.get(c, 0.0) for c in _channels(scope, self.board) if c not in unsaid]
        words = [f"the broker said rest on {len(said_s)} topics within {max(said_s):.0f} s"] if said_s else []
        words += ["and the board echoed it"] if echoed and not unechoed else []
        words += [f"nothing was said on the topics of {', '.join(unsaid)}"] if unsaid else []
        words += [f"the board did not echo rest for {', '.join(unechoed)}"] if unechoed else []
        words += [f"seen on: {', '.join(sorted(on)) or 'nothing'}"] if on is not None else []
        good: bool | None = not unsaid and not unechoed and on in (None, frozenset(tags))
        if good and on is None and not echoed:
            good, words = None, [*words, "nobody looked and the board echoes nothing"]
        if good and not all(c.plain is not None and c.plain.will_proven for c in self.board.channels):
            words.append("will_proven = true may be written for its channels")
        return judged(self, title, good, "; ".join(words))


def unsaid_in(seen: Seen, scope: Scope, board: Board) -> list[str]:
    """Return the channels of a board on whose topics no text of rest was heard."""
    return [c for c in _channels(scope, board) if c not in seen.rest_said_s]


def unechoed_in(seen: Seen, scope: Scope, board: Board) -> list[str]:
    """Return the channels of a board that echo, and did not echo their rest."""
    echoing = {f"{board.name}/{c.id}" for c in board.channels if c.plain is not None and c.plain.echo_topic}
    return [c for c in _channels(scope, board) if c in echoing and c not in seen.rest_echoed_s]


def _channels(scope: Scope, board: Board) -> list[str]:
    return [load.channel for load in scope.loads if load.board == board.name]


def _is_echoed(board: Board) -> bool:
    return all(c.plain is not None and c.plain.echo_topic for c in board.channels)


@dataclass(frozen=True, slots=True)
class AloneCheck:
    """A board that is declared to rest when it is cut off, cut off."""

    board: Board
    stage: Stage = Stage.REST

    @property
    def id(self) -> str:
        """Its place in the record."""
        return f"rest/alone-{self.board.name}"

    def steps(self, notes: Notes, record: Record, scope: Scope) -> Sequence[Step]:
        """Everything away from rest, its network out, look, give it back."""
        if not scope.attended:
            return ()
        name, tags = self.board.name, tags_of(scope, self.board)
        return (
            may_switch(
                f"Next everything is switched off, then you cut board {name} off its network, its supply "
                "left in. The site file says that it then rests by itself: its strings must come on "
                f"({', '.join(tags) or 'it has none'})."
            ),
            all_dark(scope),
            Ask(
                key="off",
                task=Task.CUT_NETWORK,
                target=name,
                text=f"Pull the network cable of board {name}, or switch its access point off. Done?",
            ),
            Stand(
                key="alone",
                says=f"board {name} is cut off; it must find out and rest by itself",
                on=frozenset(),
                most_s=RESTS_WITHIN_S,
            ),
            *ask_lit(scope, "lit", exactly(tags), notes, tags),
            Ask(key="on", task=Task.GIVE_NETWORK, target=name, text="Give it its network back. Done?"),
            Stand(key="back", says=f"waiting for board {name}", on=None, most_s=45.0),
        )

    def result(self, notes: Notes, record: Record, scope: Scope) -> Result:
        """Good if its strings, and no others, came on."""
        title = f"Board {self.board.name} rests by itself when it is cut off"
        tags = tags_of(scope, self.board)
        on = lit(notes, "lit", tags)
        if on is None or notes.said("off", NO):
            return judged(self, title, None, "nobody cut it off")
        evidence = f"cut off for {RESTS_WITHIN_S:.0f} s seen on: {', '.join(sorted(on)) or 'nothing'}"
        return judged(self, title, on == frozenset(tags), evidence)


def checks(scope: Scope) -> list[Check]:
    """Return the checks of each board that knows only texts."""
    boards = plain_boards(scope.site)
    alone = [AloneCheck(board) for board in boards if board.cut_off == "rests"]
    return [*[WillCheck(board) for board in boards], *alone]
