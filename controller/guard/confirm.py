"""Hand confirmations: a person's word that something was done which no probe can see.

A word stands for what it is about (the fleece of a tree, the shutting of a vent or of the whole house, the
harvest of a tree) until a newer word about the same, or its own end.  It never switches anything: it only
says what need not be asked again, and what a plan may take as true.  So a word that is in doubt is not taken,
and one about warmth kept (fleece on, vents shut) ends by itself; "fleece off" stands until the fleece is on.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal

from controller.guard.hand import Answer
from controller.guard.now import Now
from controller.site.work import EVERYWHERE, Done, Work

# Fleece and vents are handled at dusk and in the morning: a word about them stands until the first noon at
# least this much later [h]; one given at night lasts that night, one given at ten the next (own choice).
LEAST_H = 6.0
# What was ripe is off; what ripens afterwards is another matter [h] (own choice).
HARVEST_H = 30 * 24.0
# Without a trusted clock nobody knows when noon is [h].
BLIND_H = 18.0
# A sender's clock may be a little ahead [s].
AHEAD_S = 120.0

# What a word is about; a newer word about the same replaces it.
_ABOUT: Mapping[Work, str] = {
    Work.COVERED: "fleece",
    Work.UNCOVERED: "fleece",
    Work.VENTS_SHUT: "vents",
    Work.HARVESTED: "harvest",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmation:
    """What a person says was done, where and when; ``of`` is the id of the word that is taken back."""

    id: str
    who: str
    what: Work
    target_kind: Literal["tree", "vent", "all"]
    target: str
    at: datetime
    version: int = 0
    of: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingWord:
    """A confirmation that stands, ended by the monotonic clock, and what stood before it."""

    confirmation: Confirmation
    ends_s: float
    before: "StandingWord | None" = None


# What was done, as people say it.
_SAID = {
    Work.COVERED: "fleece on",
    Work.UNCOVERED: "fleece off",
    Work.VENTS_SHUT: "shut",
    Work.HARVESTED: "harvested",
}

# By what the words are about, and the tree or vent ("all" for a whole house's doors and vents).
Words = Mapping[tuple[str, str], StandingWord]


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What there is at a site to say something about, and where noon is."""

    trees: frozenset[str]
    vents: frozenset[str]
    longitude_deg: float


def take_word(confirmation: Confirmation, words: Words, known: Known, now: Now) -> tuple[Words, Answer]:
    """Return the words as they stand afterwards, unchanged if it is refused, and the answer to the person."""
    if confirmation.what is Work.TAKEN_BACK:
        return _take_back(confirmation, words)
    keys = _keys(confirmation, known)
    refusal = _refusal(confirmation, words, keys, known.longitude_deg, now)
    if refusal:
        return words, Answer(id=confirmation.id, accepted=False, because=refusal)
    ends_at = _end(confirmation.what, confirmation.at, known.longitude_deg)
    ends_s = now.mono_s + (ends_at - now.utc).total_seconds() if ends_at else math.inf
    if ends_at and not now.clock_trusted:
        ends_s = now.mono_s + BLIND_H * 3600.0
    new = dict(words)
    for key in keys:
        last = words.get(key)
        new[key] = StandingWord(
            confirmation=confirmation, ends_s=ends_s, before=replace(last, before=None) if last else None
        )
    until = f", until {ends_at:%Y-%m-%d %H:%M} UTC" if ends_at and now.clock_trusted else ""
    where = "everything" if confirmation.target_kind == "all" else confirmation.target
    because = f"'{_SAID[confirmation.what]}' is noted for {where}{until}"
    return new, Answer(id=confirmation.id, accepted=True, because=because)


def standing_words(words: Words, now: Now) -> dict[tuple[str, str], StandingWord]:
    """Return the words that have not ended."""
    return {key: word for key, word in words.items() if now.mono_s < word.ends_s}


def done(words: Words, now: Now) -> Done:
    """Return what is known to be done now."""
    return frozenset((word.confirmation.what, key[1]) for key, word in standing_words(words, now).items())


def _refusal(
    confirmation: Confirmation,
    words: Words,
    keys: tuple[tuple[str, str], ...],
    longitude_deg: float,
    now: Now,
) -> str:
    """Return why a word cannot be taken, empty if it can."""
    what, at = confirmation.what, f"{confirmation.at:%Y-%m-%d %H:%M} UTC"
    stands = [words[key].confirmation for key in keys if key in words]
    last = max((said.version for said in stands), default=0)
    # one from the future was taken before the clock was set, and is no word to go by
    newer = [said for said in stands if said.at > confirmation.at and not _is_to_come(said, now)]
    refusal = ""
    if not keys:
        refusal = f"there is no {confirmation.target_kind} '{confirmation.target}' that can be {what}"
    elif confirmation.version and confirmation.version <= last:
        refusal = f"it has version {confirmation.version}, but version {last} already stands; look again"
    elif newer:
        refusal = f"{newer[0].who} said {newer[0].what} later, at {newer[0].at:%Y-%m-%d %H:%M} UTC"
    elif _is_to_come(confirmation, now):
        refusal = f"it is dated {at}, which is to come"
    elif now.clock_trusted and _has_ended(_end(what, confirmation.at, longitude_deg), now):
        refusal = f"it was said at {at}, too long ago to be true now"
    return refusal


def _is_to_come(said: Confirmation, now: Now) -> bool:
    """Tell whether a word is dated later than now; never so where nobody knows the time."""
    return now.clock_trusted and (said.at - now.utc).total_seconds() > AHEAD_S


def _has_ended(ends_at: datetime | None, now: Now) -> bool:
    return ends_at is not None and ends_at <= now.utc


def _take_back(confirmation: Confirmation, words: Words) -> tuple[Words, Answer]:
    """Let stand again what stood before a word."""
    keys = [key for key, word in words.items() if word.confirmation.id == confirmation.of]
    if not keys:
        because = "nothing of it stands any more: it ended, or something newer was said"
        return words, Answer(id=confirmation.id, accepted=False, because=because)
    what = words[keys[0]].confirmation.what
    new = {key: word for key, word in words.items() if key not in keys}
    for key in keys:
        if (before := words[key].before) is not None:
            new[key] = before
    because = f"'{_SAID[what]}' is taken back; what was known before stands again"
    return new, Answer(id=confirmation.id, accepted=True, because=because)


def _keys(confirmation: Confirmation, known: Known) -> tuple[tuple[str, str], ...]:
    """Return what a word is about; a word for all trees is one for each."""
    about = _ABOUT[confirmation.what]
    kind, target = confirmation.target_kind, confirmation.target
    if about == "vents":
        names = {EVERYWHERE} if kind == "all" else known.vents & {target} if kind == "vent" else set()
    else:
        names = known.trees if kind == "all" else known.trees & {target} if kind == "tree" else set()
    return tuple((about, name) for name in sorted(names))


def _end(what: Work, at: datetime, longitude_deg: float) -> datetime | None:
    """Return when a word ends by itself; None for one that stands until a newer one."""
    if what is Work.UNCOVERED:
        return None
    if what is Work.HARVESTED:
        return at + timedelta(hours=HARVEST_H)
    # noon by the sun, to some minutes: the equation of time is at most 17 min
    noon = at.replace(hour=12, minute=0, second=0, microsecond=0) - timedelta(hours=longitude_deg / 15.0)
    least = at + timedelta(hours=LEAST_H)
    days = math.ceil((least - noon) / timedelta(days=1))
    return noon + timedelta(days=days)
