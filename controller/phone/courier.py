"""What goes from the page to the guard, what the guard answers, and how it is undone."""

import asyncio
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from controller.bus.messages import AcknowledgePayload, AnswerPayload, ConfirmPayload, HandPayload, Payload
from controller.phone.orders import OrderError, Wanted, in_words
from controller.phone.page import Said
from controller.phone.screen import Screen
from controller.phone.store import Session, Store
from controller.phone.words import say
from controller.phone.work import Word
from controller.site.work import EVERYWHERE

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
    """What the page remembers of something it sent."""

    words: str
    said: Literal["order", "word", "alarm", "undo"]


@dataclass(frozen=True, slots=True, kw_only=True)
class By:
    """Who sends something, and from where."""

    session: Session
    address: str


class Courier:
    """Carries orders, words and acknowledgements to the guard.

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
        self._topics = screen.topics
        self._sent: OrderedDict[str, _Sent] = OrderedDict()

    async def order(self, wanted: Wanted, by: By, *, number: str = "") -> Passed:
        """Pass an order on; ``number`` is the id of one that may be sent again, to be the same order then."""
        words = in_words(wanted.kind, wanted.name, wanted.position)
        what = f"{words} ({wanted.until:%Y-%m-%d %H:%M} UTC)"
        payload = wanted.payload(by.session.who)
        sent = _Sent(words=words, said="order")
        return await self._pass_on(self._topics.hand, payload, sent, what, by, number=number)

    async def word(self, word: Word, by: By) -> Passed:
        """Pass on that something was done."""
        payload = word.payload(by.session.who, self._screen.clock.utc())
        sent = _Sent(words=str(word), said="word")
        return await self._pass_on(self._topics.confirm, payload, sent, str(word), by)

    async def acknowledge(self, key: str, by: By) -> Passed:
        """Pass on that somebody has an alarm, by its key, or ``EVERYWHERE`` for all of them."""
        status = self._screen.watch.heard.status
        alarms = {alarm.key: alarm for alarm in (status.alarms if status else ())}
        if key == EVERYWHERE:
            words = say("alarm-all")
        elif key in alarms:
            words = say("alarm-of", what=alarms[key].what, target=alarms[key].target)
        else:
            raise OrderError(say("alarm-unknown"))
        payload, sent = AcknowledgePayload(who=by.session.who), _Sent(words=words, said="alarm")
        what = say("alarm-yes", what=words)
        return await self._pass_on(self._topics.acknowledge, payload, sent, what, by, number=key)

    async def undo(self, of: str, by: By) -> Passed:
        """Let stand again what stood before; raise ``OrderError`` for what is not known here.

        The guard itself knows what stood, and refuses where something newer came since.
        """
        words = self._sent[of].words if of in self._sent else self._words_of(of)
        if not words:
            raise OrderError(say("undo-unknown"))
        who, sent, what = by.session.who, _Sent(words=words, said="undo"), say("audit-back", what=words)
        if of in self._sent and self._sent[of].said == "order":
            order = HandPayload(who=who, order="taken-back", of=of)
            return await self._pass_on(self._topics.hand, order, sent, what, by)
        word = ConfirmPayload(who=who, what="taken-back", of=of, at=self._screen.clock.utc())
        return await self._pass_on(self._topics.confirm, word, sent, what, by)

    def _words_of(self, of: str) -> str:
        """Return a word that stands by its id, in words; empty if there is none."""
        return next((view.words for view in self._screen.words() if view.id == of), "")

    async def _pass_on(
        self,
        topic: Callable[[str], str],
        payload: Payload,
        sent: _Sent,
        what: str,
        by: By,
        *,
        number: str = "",
    ) -> Passed:
        number = number or secrets.token_hex(8)
        # an alarm's answer bears its key, and a link's its number: one of an hour ago must not stand for now
        self._screen.watch.forget(number)
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
        undo = number if sent.said in {"order", "word"} else None
        return Said("well", say(f"{sent.said}-yes", what=sent.words), because, undo)
