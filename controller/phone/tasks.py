"""What only hands can do: what worries now, and what is advised, each with a button that says it is done."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from controller.bus.messages import AdviceStatus, StatusPayload
from controller.phone.figures import Figures
from controller.phone.words import say

Level = Literal["well", "look", "go"]
# Advice that is answered with a word, and what may not come late.
ANSWERED = frozenset({"cover", "uncover", "shut", "harvest"})
URGENT = frozenset({"cover", "shut", "harvest"})


@dataclass(frozen=True, slots=True)
class Worry:
    """Something that needs a person now."""

    target: str
    level: Level
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What a person can say of a task: a button."""

    label: str
    what: str
    target: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """Something only hands can do, why, and how to say that it is done."""

    when: str
    what: str
    level: Level
    why: str = ""
    answers: tuple[Answer, ...] = ()


def tasks_of(
    worries: tuple[Worry, ...], status: StatusPayload, figures: Figures, now: datetime
) -> tuple[Task, ...]:
    """Return what there is to do: what worries now, then what is advised, in order of time."""
    told = {alarm.target for alarm in status.alarms}  # an alarm says it, and better
    tasks = [
        Task(when=say("now"), what=worry.what, level=worry.level)
        for worry in worries
        if worry.target not in told
    ]
    tasks += [
        Task(when=say("now"), what=say("do-board", name=board.name), level="look")
        for board in status.boards
        if not board.heard and board.name not in told
    ]
    if status.coming is not None and status.coming.trees_short:
        names = ", ".join(status.coming.trees_short)
        tasks.append(Task(when=say("tonight"), what=say("do-short", names=names), level="look"))
    tasks += [_advised(advice, figures, now) for advice in status.advice]
    return tuple(tasks)


def _advised(advice: AdviceStatus, figures: Figures, now: datetime) -> Task:
    """Return an advice as a task, with the words by which it is said to be done."""
    answers: tuple[Answer, ...] = ()
    if advice.until is not None and advice.task in ANSWERED:
        if advice.every_tree or advice.names == ("all",):
            answers = (Answer(label=say(f"did-{advice.until}"), what=advice.until, target="all"),)
        else:
            answers = tuple(
                Answer(
                    label=say("did-of", did=say(f"did-{advice.until}"), name=name),
                    what=advice.until,
                    target=f"tree:{name}",
                )
                for name in advice.names
            )
    late = advice.by <= now and advice.task in URGENT
    return Task(
        when=_when(advice, figures, now),
        what=figures.localised(advice.what[:1].upper() + advice.what[1:], now),
        why=figures.localised(advice.because, now),
        level="look" if late else "well",
        answers=answers,
    )


def _when(advice: AdviceStatus, figures: Figures, now: datetime) -> str:
    if advice.task == "nothing":
        return say("tonight")
    if advice.task == "keep covered":
        return say("through", day=figures.weekday(advice.by))
    if advice.by <= now:
        return say("now")
    return say("from" if advice.task == "uncover" else "by", time=figures.time(advice.by, now))
