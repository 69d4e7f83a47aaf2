"""What is wrong with boards."""

from collections.abc import Iterator

from controller.site.model import Board
from controller.wiring.cause import Cause, Diagnosis
from controller.wiring.check import Record, Scope
from controller.wiring.find_plain import plain_faults
from controller.wiring.lights import follows
from controller.wiring.stages.boards import ID as LISTEN_ID
from controller.wiring.stages.boards import MOST_SKEW_S
from controller.wiring.stages.channels import DARK_ID
from controller.wiring.stages.rest import (
    FORGED_ID,
    LAPSE_ID,
    LATE_S,
    LEASE_S,
    came_on_s,
    gone,
    obeyed,
    renewed,
)
from controller.wiring.step import BoardSeen, Notes, Seen

# A heater may rest no sooner after it came on [s]; the echo and a person's answer take some seconds.
MINIMUM_ON_S = 100.0
# Heat that comes later than this after it was let on is delayed [s].
AT_ONCE_S = 15.0


def board_faults(record: Record, scope: Scope) -> tuple[Diagnosis, ...]:
    """Return what is wrong with each board, or with two that answer to each other's names."""
    found = [fault for board in scope.site.boards for fault in _faults_of(board, record, scope)]
    return (*found, *_swapped(record, scope))


def _faults_of(board: Board, record: Record, scope: Scope) -> list[Diagnosis]:
    heard = record[LISTEN_ID].get("heard", Seen())
    cause, because = _presence(board, heard)
    if cause is Cause.BOARD_UNHEARD and board.is_plain:  # this side speaks for it as long as it echoes
        cause, because = Cause.TEXT_ECHO_UNHEARD, f"{because} on its channels' echo topics"
    if cause is not None:
        return [Diagnosis(cause=cause, targets=(board.name,), because=because)]
    if board.is_plain:
        return [
            Diagnosis(cause=cause, targets=(board.name,), because=because)
            for cause, because in plain_faults(board, record, scope)
        ]
    found = [_clock(heard.boards[board.name]), _leases(board, record, scope)]
    named = [
        Diagnosis(cause=cause, targets=(board.name,), because=because)
        for cause, because in filter(None, found)
    ]
    if any(d.cause in {Cause.LEASE_UNHEARD, Cause.ECHO_STANDS_STILL} for d in named):
        return named  # its echo tells nothing of the rest
    timing = list(_timing(board, record, scope))
    if any(cause is Cause.HEAT_DELAYED for cause, _ in timing):  # it makes every other time late as well
        timing = [pair for pair in timing if pair[0] is Cause.HEAT_DELAYED]
    ends = [
        pair for pair in _endings(board, record, scope) if not timing or pair[0] is not Cause.LEASE_ENDS_LATE
    ]
    pairs = [*ends, *_restart(board, record, scope), *timing]
    return [
        *named,
        *[Diagnosis(cause=cause, targets=(board.name,), because=because) for cause, because in pairs],
    ]


def _presence(board: Board, heard: Seen) -> tuple[Cause | None, str]:
    seen = heard.boards.get(board.name, BoardSeen())
    if not seen.echoes:
        return Cause.BOARD_UNHEARD, f"no echo within {heard.lasted_s:.0f} s"
    if seen.restarts >= max(len(seen.boots), 2) and len(seen.boots) > 1:
        return Cause.BOARD_DOUBLED, f"{len(seen.boots)} boot names by turns"
    if seen.restarts:
        return Cause.BOARD_RESTARTS, f"started anew {seen.restarts} times within {heard.lasted_s:.0f} s"
    gap_s = max(seen.longest_gap_s, heard.lasted_s - seen.last_s)
    if gap_s > 2.0 * board.reports_at_least_every_s:
        return (
            Cause.BOARD_SELDOM_HEARD,
            f"silent for {gap_s:.0f} s, declared {board.reports_at_least_every_s:g} s",
        )
    return None, ""


def _clock(seen: BoardSeen) -> tuple[Cause, str] | None:
    if seen.skew_s is None or abs(seen.skew_s) <= MOST_SKEW_S:
        return None
    return Cause.BOARD_CLOCK_WRONG, f"its stamps are {seen.skew_s:+.0f} s off"


def _leases(board: Board, record: Record, scope: Scope) -> tuple[Cause, str] | None:
    """Compare, with everything told to rest, what was obeyed, echoed and seen."""
    dark = record.get(DARK_ID, Notes())
    strings = [load for load in scope.strings if load.board == board.name]
    if "dark" not in dark or not strings:
        return None
    seen = dark["dark"].boards.get(board.name, BoardSeen())
    echoed_on = [load.tag for load in strings if load.channel.partition("/")[2] in seen.on]
    if len(echoed_on) == len(strings):
        if seen.obeyed_s is None:
            return Cause.LEASE_UNHEARD, f"no lease was echoed within {dark['dark'].lasted_s:.0f} s"
        return Cause.ECHO_STANDS_STILL, "the lease's number was echoed, its outputs were not"
    ways = [follows(load.tag, record, scope) for load in strings]
    clicks = [record.get(f"channels/{load.channel}", Notes()).said("click", "no") for load in strings]
    if not echoed_on and len(strings) > 1 and all(way.always for way in ways) and all(clicks):
        return (
            Cause.ECHO_WITHOUT_EFFECT,
            f"echoed off, and all {len(strings)} strings stayed lit; no relay clicked",
        )
    return None


def _endings(board: Board, record: Record, scope: Scope) -> Iterator[tuple[Cause, str]]:
    lapse, forged = record.get(LAPSE_ID, Notes()), record.get(FORGED_ID, Notes())
    if "lapse" in lapse:
        times = {
            load.tag: came_on_s(lapse["lapse"], load.channel)
            for load in scope.strings
            if load.board == board.name and lapse["dark"].is_on(load.channel) is False
        }
        never = [tag for tag, s in times.items() if s is None]
        late = [s for s in times.values() if s is not None and s > LEASE_S + LATE_S]
        if never:
            yield (
                Cause.LEASE_NEVER_ENDS,
                f"{', '.join(never)} still off {lapse['lapse'].lasted_s:.0f} s after the last lease",
            )
        elif late:
            yield (
                Cause.LEASE_ENDS_LATE,
                f"on again after {max(late):.0f} s, though the lease said {LEASE_S:g} s",
            )
    if "sequence" in forged:
        if obeyed(forged, "boot", board.name):
            yield Cause.OBEYS_OTHER_BOOT, "a lease for another boot name switched it"
        if obeyed(forged, "sequence", board.name):
            yield Cause.OBEYS_OLD_SEQUENCE, "a lease with an old number switched it"


def _restart(board: Board, record: Record, scope: Scope) -> Iterator[tuple[Cause, str]]:
    notes = record.get(f"rest/supply-{board.name}", Notes())
    if "back" not in notes or notes.said("pull", "no"):
        return
    if not gone(notes, board.name):
        yield (
            Cause.WILL_MISSING,
            f"its supply was out for {notes['pulled'].lasted_s:.0f} s and no will was heard",
        )
    back = notes["back"].boards.get(board.name, BoardSeen())
    if back.restarted_s is None:
        return
    heaters = {load.channel.partition("/")[2] for load in scope.strings if load.board == board.name}
    if heaters - set(back.first_on):
        yield (
            Cause.STARTS_OFF,
            f"channels {', '.join(sorted(heaters - set(back.first_on)))} were off in its first echo",
        )
    if not renewed(notes, board.name):
        yield Cause.BOOT_KEPT, f"it came back as {back.boots[-1]}, as before"


def _timing(board: Board, record: Record, scope: Scope) -> Iterator[tuple[Cause, str]]:
    held, waited = [], []
    for load in scope.strings:
        notes = record.get(f"channels/{load.channel}", Notes())
        if load.board != board.name or "off" not in notes:
            continue
        on_s, off_s = notes["on"].turned_s(load.channel), notes["off"].turned_s(load.channel)
        if on_s is None or off_s is None or not notes["on"].is_on(load.channel):
            continue
        waited.append(on_s)
        held.append(sum(seen.lasted_s for key, seen in notes.items() if key != "off") - on_s + off_s)
    if held and min(held) < MINIMUM_ON_S:
        yield Cause.MINIMUM_ON_MISSING, f"a heater rested {min(held):.0f} s after it came on"
    if waited and min(waited) > AT_ONCE_S:
        yield Cause.HEAT_DELAYED, f"heaters came on {min(waited):.0f} s after they were let on"


def _swapped(record: Record, scope: Scope) -> list[Diagnosis]:
    """Return boards whose strings all follow the same channels of another board."""
    partner: dict[str, str] = {}
    for board in scope.site.boards:
        boards = set()
        for load in scope.strings:
            if load.board != board.name:
                continue
            way = follows(load.tag, record, scope)
            number = load.channel.partition("/")[2]
            same = [c for c in way.channels if c.partition("/")[2] == number and len(way.channels) == 1]
            boards.add(same[0].partition("/")[0] if same else "")
        if len(boards) == 1 and (other := boards.pop()) not in {"", board.name}:
            partner[board.name] = other
    return [
        Diagnosis(
            cause=Cause.BOARDS_SWAPPED,
            targets=(a, b),
            because="all their strings follow the other's channels",
        )
        for a, b in partner.items()
        if a < b and partner.get(b) == a
    ]
