"""The thumb: what may be ordered, until when, and what keeping heat off would mean.  Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal, cast

from controller.bus.messages import HandPayload, OutputStatus, StatusPayload
from controller.guard.hand import LONGEST_OFF_S, LONGEST_ON_S
from controller.phone.figures import Figures
from controller.phone.words import say
from controller.site.model import Site

Kind = Literal["all", "tree", "vent"]
Position = Literal["hand-on", "hand-off", "auto"]
LONGEST_CONSENT = 80
POSITIONS: tuple[Position, ...] = ("hand-on", "hand-off", "auto")
# What the big button proposes: the hour by which a cold night is over (common practice, no source).
MORNING_HOUR = 8


class OrderError(Exception):
    """The form asks for something that cannot be ordered; the text says what."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a person asked for."""

    kind: Kind
    name: str
    position: Position
    until: datetime
    sure: bool
    consent: str = ""  # the words that let one tree's fruit go

    @property
    def needs_consent(self) -> bool:
        """Whether a consequence must be named and agreed to first: keeping heat off a tree."""
        return self.kind != "vent" and self.position == "hand-off" and not self.sure

    def payload(self, who: str) -> HandPayload:
        """Return the order as it goes on the bus."""
        target = {"all": True} if self.kind == "all" else {self.kind: self.name}
        order = {"order": self.position, "until": self.until, "consent": self.consent}
        return HandPayload.model_validate({"who": who, **order, **target})


def wanted_from(form: Mapping[str, str], site: Site, now: datetime) -> Wanted:
    """Return what a form asks for; raise ``OrderError`` where that cannot be ordered.

    Parameters
    ----------
    form
        ``target`` ("all", "tree:<name>" or "vent:<name>"), ``order``, ``until`` (UTC seconds since 1970, or
        empty with "auto"), ``sure`` ("yes" once the consequence was agreed to) and ``consent`` (the words
        that let one tree's fruit go).
    site
        The site.
    now
        The present.
    """
    kind, _, name = form.get("target", "").partition(":")
    known = {"all": {""}, "tree": {t.name for t in site.trees}, "vent": {v.name for v in site.vents}}
    if kind not in known or name not in known[kind]:
        raise OrderError(say("order-target"))
    position = form.get("order", "")
    if position not in POSITIONS:
        raise OrderError(say("order-position"))
    longest_s = LONGEST_OFF_S if position == "hand-off" and kind != "vent" else LONGEST_ON_S
    if position == "auto":  # it outlasts any order for everything that stands beneath it
        until = now + timedelta(seconds=LONGEST_ON_S)
    else:
        until = _until(form.get("until", ""), now, longest_s)
    return Wanted(
        kind=cast("Kind", kind),
        name=name,
        position=position,
        until=until,
        sure=form.get("sure") == "yes",
        consent=form.get("consent", "").strip()[:LONGEST_CONSENT],
    )


def _until(text: str, now: datetime, longest_s: float) -> datetime:
    if not (text.isascii() and text.isdigit() and len(text) <= 11):
        raise OrderError(say("order-until"))
    until_s = float(text)
    if not until_s > now.timestamp():
        raise OrderError(say("order-past"))
    return datetime.fromtimestamp(min(until_s, now.timestamp() + longest_s), tz=UTC)


@dataclass(frozen=True, slots=True)
class Choice:
    """An hour one can choose."""

    value: str
    label: str
    chosen: bool = False


def hours_to_choose(now: datetime, figures: Figures, longest_s: float) -> tuple[Choice, ...]:
    """Return the whole local hours up to the longest an order may last; morning, or the last, is proposed."""
    first = now.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
    if first - now < timedelta(minutes=20):
        first += timedelta(hours=1)
    hours = [first + timedelta(hours=n) for n in range(int(longest_s // 3600) + 1)]
    hours = [at for at in hours if (at - now).total_seconds() <= longest_s]
    morning = [i for i, at in enumerate(hours) if at.astimezone(figures.zone).hour == MORNING_HOUR]
    proposed = morning[0] if morning else len(hours) - 1
    return tuple(
        Choice(str(int(at.timestamp())), figures.time(at, now), i == proposed) for i, at in enumerate(hours)
    )


def consequence(
    wanted: Wanted, site: Site, status: StatusPayload | None, figures: Figures, now: datetime
) -> tuple[str, ...]:
    """Return what keeping heat off would mean, tree by tree, in sentences."""
    outputs: Mapping[str, OutputStatus] = {
        output.name: output for output in (status.outputs if status else ()) if output.kind == "tree"
    }
    coldest_c = status.coming.free_air_min_c if status and status.coming else {}
    sentences = []
    for tree in site.trees:
        if wanted.kind == "tree" and tree.name != wanted.name:
            continue
        output = outputs.get(tree.name)
        expected_c = coldest_c.get(tree.name)
        sentences.append(
            say(
                "off-tree" if expected_c is not None else "off-tree-no-outlook",
                name=tree.name,
                air=figures.temp(output.temp_c if output else None),
                expected=figures.temp(expected_c),
                damage=figures.temp(output.damage_c if output else None),
                floor=figures.temp(output.hand_off_floor_c if output else None),
            )
        )
    return (*sentences, say("off-end", time=figures.time(wanted.until, now)))


def in_words(kind: str, name: str, position: str) -> str:
    """Return an order as a person says it, without its end."""
    return say(f"order-{'vent' if kind == 'vent' else 'heat'}-{position}", name=name or say("everything"))
