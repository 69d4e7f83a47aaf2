"""What is watched during a step: echoes, wills, readings and watts, gathered as they come."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from controller.wiring.step import MOST_READINGS, BoardSeen, Seen


@dataclass(frozen=True, slots=True, kw_only=True)
class EchoCame:
    """A board told what its outputs do."""

    board: str
    boot: str
    session: str | None
    seq: int
    on: tuple[str, ...]
    uptime_s: float
    at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WillCame:
    """The broker announced that a board's connection is lost."""

    board: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingCame:
    """A probe's raw reading [°C]."""

    probe: str
    temp_c: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerCame:
    """What a circuit draws [W]."""

    circuit: str
    power_w: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GarbledCame:
    """A probe sent something that is no reading."""

    probe: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TextCame:
    """On the topic of a plain board's channel: the text of its rest, or one that moves it away from rest."""

    channel: str
    rests: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TextEchoCame:
    """A plain board told of one channel whether it rests."""

    channel: str
    rests: bool


Came = EchoCame | WillCame | ReadingCame | PowerCame | GarbledCame | TextCame | TextEchoCame


def with_echo(
    seen: Seen, echo: EchoCame, before: EchoCame | None, after_s: float, utc: datetime, *, obeys: bool
) -> Seen:
    """Return what was seen and one echo more; ``before`` is the last one of that board."""
    old = seen.boards.get(echo.board, BoardSeen(last_s=0.0))
    turned = set(echo.on) ^ set(before.on) if before is not None else set[str]()
    # a board that runs for less long than it did has started anew, even under an old name
    anew = before is not None and (echo.boot != before.boot or echo.uptime_s < before.uptime_s - 1.0)
    first = old.restarted_s is None and anew
    board = replace(
        old,
        echoes=old.echoes + 1,
        boots=old.boots if echo.boot in old.boots else (*old.boots, echo.boot),
        first_s=after_s if not old.echoes else old.first_s,
        last_s=after_s,
        longest_gap_s=max(old.longest_gap_s, after_s - old.last_s),
        uptime_s=echo.uptime_s,
        skew_s=old.skew_s if echo.at is None else (echo.at - utc).total_seconds(),
        on=echo.on,
        turned_s={**old.turned_s, **dict.fromkeys(turned, after_s)},
        obeyed_s=after_s if obeys and old.obeyed_s is None else old.obeyed_s,
        restarts=old.restarts + anew,
        restarted_s=after_s if first else old.restarted_s,
        first_on=echo.on if first else old.first_on,
    )
    return replace(seen, boards={**seen.boards, echo.board: board})


def standing(echo: EchoCame) -> BoardSeen:
    """Return how a board stands at the beginning of a step, by its last echo."""
    return BoardSeen(echoes=1, boots=(echo.boot,), uptime_s=echo.uptime_s, on=echo.on)


def gathered(seen: Seen, event: PowerCame | GarbledCame | TextCame | TextEchoCame, after_s: float) -> Seen:
    """Return what was seen and one event more of those that change nothing else."""
    match event:
        case PowerCame(circuit=circuit, power_w=power_w):
            return with_power(seen, circuit, power_w, after_s)
        case GarbledCame(probe=probe):
            return replace(seen, garbled={**seen.garbled, probe: seen.garbled.get(probe, 0) + 1})
        case TextCame():
            return with_text(seen, event, after_s)
        case TextEchoCame():
            return with_text_echo(seen, event, after_s)


def with_power(seen: Seen, circuit: str, power_w: float, after_s: float) -> Seen:
    """Return what was seen and a meter's word."""
    return replace(
        seen,
        power_w={**seen.power_w, circuit: power_w},
        power_s={**seen.power_s, circuit: round(after_s, 1)},
    )


def with_will(seen: Seen, board: str, after_s: float) -> Seen:
    """Return what was seen and a board's will."""
    old = seen.boards.get(board, BoardSeen())
    return replace(seen, boards={**seen.boards, board: replace(old, gone_s=after_s)})


def with_text(seen: Seen, text: TextCame, after_s: float) -> Seen:
    """Return what was seen and one text on a plain board's topic."""
    if text.rests:
        return replace(seen, rest_said_s={text.channel: after_s, **seen.rest_said_s})
    count = seen.moves_said.get(text.channel, 0) + 1
    return replace(seen, moves_said={**seen.moves_said, text.channel: count})


def with_text_echo(seen: Seen, echo: TextEchoCame, after_s: float) -> Seen:
    """Return what was seen and one echo of a plain board: nothing of a channel that left its rest."""
    others = {name: s for name, s in seen.rest_echoed_s.items() if name != echo.channel}
    if not echo.rests:
        return replace(seen, rest_echoed_s=others)
    return replace(seen, rest_echoed_s={echo.channel: after_s, **seen.rest_echoed_s})


def with_reading(seen: Seen, probe: str, temp_c: float, after_s: float, sample_s: float) -> Seen:
    """Return what was seen and a reading, unless one was kept a moment ago."""
    series = seen.readings.get(probe, ())
    if len(series) >= MOST_READINGS or (series and after_s - series[-1][0] < sample_s):
        return seen
    readings: Mapping[str, tuple[tuple[float, float], ...]] = {
        **seen.readings,
        probe: (*series, (round(after_s, 1), temp_c)),
    }
    return replace(seen, readings=readings)
