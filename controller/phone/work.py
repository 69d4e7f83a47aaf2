"""What people say was done: what a form may say, and what stands, in words.  Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, cast

from controller.bus.messages import ConfirmedStatus, ConfirmPayload
from controller.phone.figures import Figures
from controller.phone.orders import Kind, OrderError
from controller.phone.words import say
from controller.site.model import Site

What = Literal["covered", "uncovered", "vents-shut", "harvested"]
WORDS: tuple[What, ...] = ("covered", "uncovered", "vents-shut", "harvested")


@dataclass(frozen=True, slots=True, kw_only=True)
class Word:
    """What a person says was done, and where."""

    what: What
    kind: Kind
    name: str

    def payload(self, who: str, at: datetime) -> ConfirmPayload:
        """Return the word as it goes on the bus."""
        target = {"all": True} if self.kind == "all" else {self.kind: self.name}
        return ConfirmPayload.model_validate({"who": who, "what": self.what, "at": at, **target})

    def __str__(self) -> str:
        return in_words(self.what, self.kind, self.name)


def word_from(form: Mapping[str, str], site: Site) -> Word:
    """Return what a form says: ``what``, and ``target`` as in orders; raise ``OrderError`` for nonsense."""
    what = form.get("what", "")
    if what not in WORDS:
        raise OrderError(say("word-what"))
    kind, _, name = form.get("target", "").partition(":")
    places = {"vent": {v.name for v in site.vents}} if what == "vents-shut" else {}
    known = {"all": {""}} | (places or {"tree": {t.name for t in site.trees}})
    if name not in known.get(kind, ()):
        raise OrderError(say("order-target"))
    return Word(what=what, kind=cast("Kind", kind), name=name)


def in_words(what: str, kind: str, name: str) -> str:
    """Return a word as a person says it."""
    key = f"word-{what}-all" if what == "vents-shut" and kind == "all" else f"word-{what}"
    return say(key, name=say("every-tree") if kind == "all" else name)


@dataclass(frozen=True, slots=True, kw_only=True)
class WordView:
    """A word that stands: in a sentence, and by which id it can be taken back."""

    words: str
    id: str


def standing_words(
    confirmed: Iterable[ConfirmedStatus], site: Site, figures: Figures, now: datetime
) -> tuple[WordView, ...]:
    """Return the words that stand, those said at once together."""
    together: dict[str, list[ConfirmedStatus]] = {}
    for each in confirmed:
        if each.ends_at is None or each.ends_at > now:
            together.setdefault(each.id, []).append(each)
    return tuple(_view(said, site, figures, now) for said in together.values())


def _view(said: list[ConfirmedStatus], site: Site, figures: Figures, now: datetime) -> WordView:
    first = said[0]
    names = [each.name for each in said]
    everywhere = first.kind == "all" or len(names) == len(site.trees) > 1
    sentence = in_words(first.what, "all" if everywhere else first.kind, ", ".join(names))
    end = "" if first.ends_at is None else say("word-until", time=figures.time(first.ends_at, now))
    ago = figures.ago((now - first.at).total_seconds())
    return WordView(words=say("word-stands", what=sentence, who=first.who, ago=ago, until=end), id=first.id)


def fleece_of(tree: str, confirmed: Iterable[ConfirmedStatus], figures: Figures, now: datetime) -> str:
    """Return what is said of a tree's fleece; nothing where nobody has said anything that still holds."""
    for each in confirmed:
        if each.name == tree and each.what in {"covered", "uncovered"}:
            if each.ends_at is not None and each.ends_at <= now:
                continue
            ago = figures.ago((now - each.at).total_seconds())
            return say(f"fleece-{each.what}", who=each.who, ago=ago)
    return ""
