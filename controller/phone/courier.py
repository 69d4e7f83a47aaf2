"""What goes from the page to the guard, what the guard answers, and how it is undone."""

import asyncio
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from controller.bus.messages import AnswerPayload, ConfirmPayload, Payload, StandingStatus, StatusPayload
from controller.guard.hand import LONGEST_ON_S
from controller.phone.orders import OrderError, Wanted, in_words
from controller.phone.screen import Said, Screen
from controller.phone.store import Session, Store
from controller.phone.words import say
from controller.phone.work import Word

# How long an order waits for the guard's answer [s of the wall], and how often it looks.
ANSWER_WITHIN_S = 4.0
ANSWER_EVERY_S = 0.05
MOST_SENT = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Passed:
    """Something that was passed on: its id, and the guard's answer if one came."""

    id: str
    answer: AnswerPayload | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sent:
    """What the page remembers of something it sent: in words, and how to undo it."""

    words: str
    said: Literal["order", "word", "undo"]
    wanted: Wanted | None = None
    back: tuple[Wanted, ...] = ()  # the orders that let stand again what stood before
    number: int = 0  # of the status that was the latest then


@dataclass(frozen=True, slots=True, kw_only=True)
class By:
    """Who sends something, and from where."""

    session: Session
    address: str


class Courier:
    """Carries orders and words to the guard.

    Parameters
    ----------
    screen
        What is shown, and what was heard.
    store
        Where it is noted who did what.
    publish
        Sends a payload to the bus; whether it arrives is told by the guard's answer alone.
    """

    def __init__(self, screen: Screen, store: Store, publish: Callable[[str, bytes], None]) -> None:
        self._screen, self._store, self._publish = screen, store, publish
        self._sent: OrderedDict[str, _Sent] = OrderedDict()

    async def order(self, wanted: Wanted, by: By) -> Passed:
        """Pass an order on."""
        heard = self._screen.watch.heard
        back = _back(wanted, heard.status, self._screen.clock.utc())
        words = in_words(wanted.kind, wanted.name, wanted.position)
        sent = _Sent(words=words, said="order", wanted=wanted, back=back, number=heard.number)
        what = f"{words} ({wanted.until:%Y-%m-%d %H:%M} UTC)"
        return await self._pass_on(self._screen.topics.hand, wanted.payload(by.session.who), sent, what, by)

    async def word(self, word: Word, by: By) -> Passed:
        """Pass on that something was done."""
        payload = word.payload(by.session.who, self._screen.clock.utc())
        sent = _Sent(words=str(word), said="word")
        return await self._pass_on(self._screen.topics.confirm, payload, sent, str(word), by)

    async def undo(self, of: str, by: By) -> Passed:
        """Let stand again what stood before; raise ``OrderError`` where that is not known.

        A word is taken back by the guard, which knows what was said before; so one said elsewhere may be too.
        """
        sent = self._sent.get(of)
        if sent is None or sent.wanted is None:
            return await self._take_back(of, by)
        if not self._still_stands(sent):
            raise OrderError(say("undo-newer"))
        passed: Passed | None = None
        for wanted in sent.back:
            passed = await self.order(wanted, by)
            if passed.answer is None or not passed.answer.accepted:
                break
        assert passed is not None, "there is at least one order back"  # noqa: S101 (see _back)
        self._sent[passed.id] = _Sent(words=sent.words, said="undo")
        return passed

    async def _take_back(self, of: str, by: By) -> Passed:
        words = self._sent[of].words if of in self._sent else self._words_of(of)
        if not words:
            raise OrderError(say("undo-unknown"))
        payload = ConfirmPayload(who=by.session.who, what="taken-back", of=of, at=self._screen.clock.utc())
        sent = _Sent(words=words, said="undo")
        return await self._pass_on(
            self._screen.topics.confirm, payload, sent, say("audit-back", what=words), by
        )

    def _words_of(self, of: str) -> str:
        """Return a word that stands by its id, in words; empty if there is none."""
        return next((view.words for view in self._screen.words() if view.id == of), "")

    def _still_stands(self, sent: _Sent) -> bool:
        """Tell whether an order is still the latest for its target, as far as has been heard since."""
        heard, wanted = self._screen.watch.heard, sent.wanted
        if heard.status is None or wanted is None or heard.number == sent.number:
            return True
        now = self._standing(wanted, heard.status)
        if wanted.position == "auto":
            return now is None
        return (
            now is not None
            and now.order == wanted.position
            and abs((now.ends_at - wanted.until).total_seconds()) < 120.0
        )

    @staticmethod
    def _standing(wanted: Wanted, status: StatusPayload) -> StandingStatus | None:
        name = "all" if wanted.kind == "all" else wanted.name
        return next((o for o in status.orders if (o.kind, o.name) == (wanted.kind, name)), None)

    async def _pass_on(
        self, topic: Callable[[str], str], payload: Payload, sent: _Sent, what: str, by: By
    ) -> Passed:
        number = secrets.token_hex(8)
        self._sent[number] = sent
        while len(self._sent) > MOST_SENT:
            self._sent.popitem(last=False)
        self._publish(topic(number), payload.to_json())
        answer = await self._answer(number)
        told = "no answer"
        if answer is not None:
            told = f"{'taken' if answer.accepted else 'refused'}: {answer.because}"
        self._store.note(time.time(), by.session.who, by.address, what, told)
        return Passed(id=number, answer=answer)

    async def _answer(self, number: str) -> AnswerPayload | None:
        for _ in range(round(ANSWER_WITHIN_S / ANSWER_EVERY_S)):
            if (answer := self._screen.watch.answer(number)) is not None:
                return answer
            await asyncio.sleep(ANSWER_EVERY_S)
        return None

    def said(self, number: str) -> Said | None:
        """Return what became of something sent, for the page that follows it."""
        sent = self._sent.get(number)
        if sent is None:
            return None
        answer = self._screen.watch.answer(number)
        if answer is None:
            return Said("look", say(f"{sent.said}-nothing", what=sent.words), "", None)
        because = self._screen.figures.localised(answer.because, self._screen.clock.utc())
        if not answer.accepted:
            return Said("go", say(f"{sent.said}-no", what=sent.words), because, None)
        undo = None if sent.said == "undo" else number
        return Said("well", say(f"{sent.said}-yes", what=sent.words), because, undo)


def _back(wanted: Wanted, status: StatusPayload | None, now: datetime) -> tuple[Wanted, ...]:
    """Return the orders after which what stands now stands again.

    An order for everything ends those for single trees, so these are given again; a tree without an order of
    its own goes back to what is ordered for everything.
    """
    stood = [order for order in (status.orders if status else ()) if order.ends_at > now]

    def again(kind: Literal["all", "tree", "vent"], name: str, order: StandingStatus | None) -> Wanted:
        return Wanted(
            kind=kind,
            name=name,
            position=order.order if order else "auto",
            until=order.ends_at if order else now + timedelta(seconds=LONGEST_ON_S),
            sure=True,
        )

    for_all = next((order for order in stood if order.kind == "all"), None)
    if wanted.kind == "all":
        trees = [again("tree", order.name, order) for order in stood if order.kind == "tree"]
        return again("all", "", for_all), *trees
    own = next((order for order in stood if (order.kind, order.name) == (wanted.kind, wanted.name)), None)
    return (again(wanted.kind, wanted.name, own or (for_all if wanted.kind == "tree" else None)),)
