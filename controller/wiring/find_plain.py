"""What is wrong with boards that know only texts.

Their side of the lease contract is this program's own, so that what a board of the contract gets wrong in
its program cannot be wrong here; what is left is what the board hears, echoes, and does when left alone.
"""

from collections.abc import Iterator

from controller.site.model import Board
from controller.wiring.cause import Cause
from controller.wiring.check import Record, Scope
from controller.wiring.lights import follows
from controller.wiring.stages.boards import ID as LISTEN_ID
from controller.wiring.stages.channels import DARK_ID, lit
from controller.wiring.stages.plain import RESTS_WITHIN_S, WILL_WITHIN_S, AloneCheck, WillCheck, unsaid_in
from controller.wiring.stages.rest import SupplyCheck, tags_of
from controller.wiring.step import NO, BoardSeen, Notes, Seen


def plain_faults(board: Board, record: Record, scope: Scope) -> Iterator[tuple[Cause, str]]:
    """Yield what is wrong with one of them, each with its evidence."""
    strange = _strangers(board, record)
    if strange:
        yield Cause.TEXT_STRANGER, strange
        return  # whatever it does may be the stranger's doing
    dark = list(_in_the_dark(board, record, scope))
    yield from dark
    if not any(cause is Cause.TEXTS_UNHEARD for cause, _ in dark):
        yield from _will(board, record, scope)
        yield from _left_alone(board, record, scope)


def _strangers(board: Board, record: Record) -> str:
    """Return which texts were heard while nothing was permitted, so that none can be ours."""
    seen = record[LISTEN_ID].get("heard", Seen())
    said = {c: n for c, n in seen.moves_said.items() if c.partition("/")[0] == board.name}
    words = ", ".join(f"{channel} {count} times" for channel, count in said.items())
    return f"switched by others while nothing was permitted: {words}" if said else ""


def _in_the_dark(board: Board, record: Record, scope: Scope) -> Iterator[tuple[Cause, str]]:
    """Compare, with everything told to rest, what was echoed and what was seen."""
    dark = record.get(DARK_ID, Notes())
    tags = tags_of(scope, board)
    if "dark" not in dark or not tags:
        return
    seen = dark["dark"].boards.get(board.name, BoardSeen())
    channels = [load.channel for load in scope.strings if load.board == board.name]
    echoed_on = all(channel.partition("/")[2] in seen.on for channel in channels)
    on = lit(dark, "lit", ())
    stays_lit = on is not None and set(tags) <= on and all(follows(t, record, scope).always for t in tags)
    if echoed_on and (on is None or stays_lit):
        yield (
            Cause.TEXTS_UNHEARD,
            f"it echoed heat on for {dark['dark'].lasted_s:.0f} s of being told to rest",
        )
    elif echoed_on:
        yield Cause.ECHO_STANDS_STILL, "its strings went dark and it echoed heat on"
    elif stays_lit and len(tags) > 1 and _nothing_clicked(channels, record):
        echoes = any(c.plain is not None and c.plain.echo_topic for c in board.channels)
        yield (
            Cause.ECHO_WITHOUT_EFFECT if echoes else Cause.TEXTS_UNHEARD,
            f"all {len(tags)} strings stayed lit whatever was said; no relay clicked",
        )


def _nothing_clicked(channels: list[str], record: Record) -> bool:
    return all(record.get(f"channels/{channel}", Notes()).said("click", NO) for channel in channels)


def _will(board: Board, record: Record, scope: Scope) -> Iterator[tuple[Cause, str]]:
    notes = record.get(WillCheck(board).id, Notes())
    if "cut" in notes and (unsaid := unsaid_in(notes["cut"], scope, board)):
        yield (
            Cause.TEXT_WILL_UNSAID,
            f"within {WILL_WITHIN_S:.0f} s of our connections' being cut no text of rest was heard for "
            + ", ".join(unsaid),
        )


def _left_alone(board: Board, record: Record, scope: Scope) -> Iterator[tuple[Cause, str]]:
    """Tell what it did with nobody speaking to it: newly started, and cut off.

    Only strings that its pulled supply could light tell of the board.
    """
    supply, alone = record.get(SupplyCheck(board).id, Notes()), record.get(AloneCheck(board).id, Notes())
    tags = tags_of(scope, board)
    unfed = lit(supply, "lit", tags)
    able = frozenset(tags) if unfed is None else unfed & frozenset(tags)
    for notes, looked, cause, words in (
        (supply, "start", Cause.STARTS_OFF, "newly started, with nobody speaking to it"),
        (alone, "lit", Cause.LAST_TEXT_KEPT, f"cut off for {RESTS_WITHIN_S:.0f} s"),
    ):
        on = lit(notes, looked, tags)
        if on is not None and able and not on & able:
            yield cause, f"{words}, {', '.join(sorted(able))} stayed dark"
