"""What boards prove of a tree's heat, in words.  What a silent board said last proves nothing now."""

from dataclasses import dataclass

from controller.bus.messages import OutputStatus, StatusPayload
from controller.phone.figures import Figures
from controller.phone.history import History
from controller.phone.words import say
from controller.site.model import Tree


@dataclass(frozen=True, slots=True, kw_only=True)
class Echo:
    """What boards that answer report of a tree's strings, and which boards are silent.

    The controller counts what silent boards said last too, so the number of strings that report on lies
    between ``least_on`` and ``most_on``.
    """

    least_on: int
    most_on: int
    answering: int
    silent: tuple[str, ...]


def echo_of(tree: Tree, output: OutputStatus, status: StatusPayload) -> Echo:
    """Return what boards report of a tree's strings."""
    answering = {board.name for board in status.boards if board.heard}
    # a board that never spoke, or whose connection was lost, is remembered with nothing on
    remembered = {board.name for board in status.boards if board.heard_ago_s is not None}
    boards = [string.channel.partition("/")[0] for string in tree.strings]
    old = sum(board in remembered - answering for board in boards)
    heard = sum(board in answering for board in boards)
    return Echo(
        least_on=max(0, output.echoed_on - old),
        most_on=min(output.echoed_on, heard),
        answering=heard,
        silent=tuple(dict.fromkeys(board for board in boards if board not in answering)),
    )


def proof_words(tree: Tree, output: OutputStatus, echo: Echo, history: History, figures: Figures) -> str:
    """Return what is known of a tree's heat, by its boards and by its own warmth."""
    if not output.channels:
        return ""
    known = _part(output, echo) if echo.silent else _whole(output)
    rises_k = [history.rise_k[probe] for probe in tree.probes if probe in history.rise_k]
    is_warming = output.active and bool(rises_k)
    rise = say("rise", change=figures.change(min(rises_k)), minutes=20) if is_warming else ""
    return "; ".join(filter(None, (known, rise)))


def _whole(output: OutputStatus) -> str:
    """Return what is known where every board answers."""
    counts = {"on": output.echoed_on, "all": output.channels}
    if not output.active:
        return say("proof-leaving" if output.echoed_on else "proof-all-off", **counts)
    key = {0: "proof-none", output.channels: "proof-all"}.get(output.echoed_on, "proof-some")
    return say(key, **counts)


def _part(output: OutputStatus, echo: Echo) -> str:
    """Return what is known where a board is silent: what the others report, never that all is on or off."""
    silent = say("silent-board" if len(echo.silent) == 1 else "silent-boards", names=", ".join(echo.silent))
    if echo.least_on:
        known = say("proof-part" if output.active else "proof-leaving", on=echo.least_on, all=output.channels)
    elif echo.answering and not echo.most_on:
        key = "proof-none" if output.active else "proof-part-off"
        known = say(key, off=echo.answering, all=output.channels)
    else:
        return say("proof-silent", silent=silent)
    return f"{known}; {silent}"
