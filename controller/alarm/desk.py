"""The desk: a thread that keeps the alarms and hands messages to the courier.

Control leaves its picture here after each cycle and never waits.  When control leaves none for a while, the
desk says so itself.
"""

import sqlite3
import threading
import time as wall
from collections import deque
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from datetime import datetime, time
from zoneinfo import ZoneInfo

import structlog

from controller.alarm.courier import Courier
from controller.alarm.dead_man import CYCLES_WITHIN_S
from controller.alarm.engine import (
    Acknowledge,
    Alarm,
    Alarms,
    Kind,
    Message,
    Reach,
    Rules,
    Situation,
    Try,
    handle,
)
from controller.alarm.memory import keep_changes, recall_alarms, recall_parcels, recall_proofs
from controller.alarm.outbox import Outbox
from controller.alarm.ways import ways_of
from controller.alarm.words import NO_TAPS, Taps, subject_of, text_of
from controller.bus.messages import AcknowledgePayload, AlarmPayload, AnswerPayload, read
from controller.bus.topics import Topics
from controller.bus.transport import Message as BusMessage
from controller.clock import Clock, now_on
from controller.errors import JournalError, MessageError
from controller.guard.finding import FindingCode, finding
from controller.journal.parcel import Parcel
from controller.journal.store import open_for_reading
from controller.journal.writer import Journal
from controller.links import ALARM, key_in, link_for
from controller.site.model import Site

STEP_S = 5.0
# A link in a message can be tapped for this long, and the heat it orders lasts for this long [s].
TAP_VALID_S, TAP_HEAT_S = 3600.0, 8 * 3600.0
# The way that every site has: the bus, for a lamp or buzzer.  No way of the site file can have this name.
BUS = "the bus"
MOST_ORDERS = 100

log = structlog.stdlib.get_logger()


def rules_of(site: Site) -> Rules:
    """Return a site's rules for alarms."""
    alarm = site.alarm
    quiet = (
        None
        if alarm.quiet_from is None or alarm.quiet_until is None
        else (time.fromisoformat(alarm.quiet_from), time.fromisoformat(alarm.quiet_until))
    )
    people = [
        Reach(name=way.name, from_severity=way.from_severity, after_s=way.after_min * 60.0)
        for way in alarm.ways
    ]
    return Rules(
        ways=(*people, Reach(name=BUS)),
        zone=ZoneInfo(site.place.time_zone),
        trees=tuple(tree.name for tree in site.trees if tree.strings),
        quiet=quiet,
        daily_at=None if alarm.daily_at is None else time.fromisoformat(alarm.daily_at),
    )


class Desk:
    """Keeps a site's alarms.

    Parameters
    ----------
    site
        The site.
    journal, clock
        Where alarms and messages are kept, and the time.
    publish
        Puts a payload on a topic of the bus.
    """

    def __init__(
        self, site: Site, journal: Journal, clock: Clock, publish: Callable[[str, bytes], None]
    ) -> None:
        self._site, self._journal, self._clock, self._publish = site, journal, clock, publish
        self._topics = Topics(site.name)
        self._rules = rules_of(site)
        self._alarms = Alarms()
        self._proven: dict[str, datetime] = {}
        self._situation: Situation | None = None
        self._cycled_s = clock.mono_s()
        self._orders: deque[tuple[str, Acknowledge | Try]] = deque(maxlen=MOST_ORDERS)
        self._number = 0
        self._wake = threading.Event()
        self._stopping = threading.Event()
        self.failed = ""
        self.courier = Courier(
            ways_of(site.alarm), site.alarm.dead_man, lambda: self._cycled_s, journal, clock
        )
        self.thread = threading.Thread(target=self._run, name="alarm", daemon=True)

    # ---- what other threads leave here ----------------------------------------------------------------

    def leave(self, situation: Situation) -> None:
        """Leave control's picture, after a whole cycle."""
        self._situation, self._cycled_s = situation, self._clock.mono_s()

    def is_for_desk(self, topic: str) -> bool:
        """Tell whether a message on this topic is a person's word about alarms."""
        return topic.startswith((self._topics.acknowledge(""), self._topics.test("")))

    def hear(self, message: BusMessage) -> None:
        """Leave a person's word; the answer comes on the bus."""
        if message.retained:
            return
        try:
            who = read(AcknowledgePayload, message.payload).who
        except MessageError as error:
            log.warning("word_refused", topic=message.topic, because=str(error))
            return
        name = message.topic.rpartition("/")[2][:100]
        asks = message.topic.startswith(self._topics.test(""))
        self._orders.append((name, Try(who=who) if asks else Acknowledge(key=name, who=who)))
        self._wake.set()

    @property
    def shown(self) -> tuple[Alarm, ...]:
        """The alarms people should see, the worst first."""
        return self._alarms.shown

    @property
    def trouble(self) -> str:
        """What is wrong with alarms themselves, in words."""
        return "; ".join(text for text in (self.failed, self.courier.trouble) if text)

    # ---- life -----------------------------------------------------------------------------------------

    def start(self) -> None:
        """Take up what stood when the daemon last ended, and begin."""
        outbox = self._recall()
        self.thread.start()
        self.courier.start(outbox)

    def stop(self) -> None:
        """End; what was not sent is kept."""
        self._stopping.set()
        self._wake.set()
        self.courier.stop()
        self.thread.join(2.0)

    def _recall(self) -> Outbox:
        try:
            connection = open_for_reading(self._journal.path)
        except JournalError:
            return Outbox()  # a first start has no journal
        now = now_on(self._clock)
        with closing(connection):
            try:
                self._alarms = recall_alarms(connection, now)
                self._proven = recall_proofs(connection)
                return recall_parcels(connection, now)
            except (
                sqlite3.Error,
                ValueError,
                TypeError,
            ) as error:  # (whatever an old or damaged journal holds, alarms begin anew)
                log.warning("alarms_not_recalled", trouble=str(error))
                return Outbox()

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._wake.clear()
            try:
                self.step()
                self.failed = ""
            except Exception as error:  # (the edge of a thread: an alarm is worth no restart of the guard)
                self.failed = f"alarms failed ({error})"
                log.exception("alarms_failed")
            self._clock.wait(self._wake, STEP_S)

    def step(self) -> None:
        """Bring the alarms up to date and hand over what people shall be told."""
        situation, now = self._situation, now_on(self._clock)
        if situation is None:
            return  # control has not decided yet: there is nothing to say
        self._note_proofs(situation)
        silent_s = now.mono_s - self._cycled_s
        if not silent_s <= CYCLES_WITHIN_S:
            because = f"control has not decided for {silent_s:.0f} s"
            hangs = finding(FindingCode.CONTROL_SILENT, "controller", because)
            situation = replace(situation, findings=(*situation.findings, hangs))
        orders = [self._orders.popleft() for _ in range(len(self._orders))]
        situation = replace(situation, proven=self._proven)
        before = self._alarms
        self._alarms, messages = handle(
            self._rules, before, situation, tuple(order for _, order in orders), now
        )
        self._send(messages)
        keep_changes(self._journal, before, self._alarms, now)
        for order_id, order in orders:
            answer = self._answer(order_id, order, before)
            self._publish(self._topics.answer(order_id), answer.to_json())
            log.info("alarm_word", who=order.who, accepted=answer.accepted, because=answer.because)

    def _note_proofs(self, situation: Situation) -> None:
        for tree, at in situation.proven.items():
            if at is not None and self._proven.get(tree) != at:
                self._proven[tree] = at
                self._journal.put_proof(tree, at)

    def _send(self, messages: tuple[Message, ...]) -> None:
        """Hand each message, in words, to the courier or the bus."""
        zone, page = self._rules.zone, self._site.alarm.page
        for message in messages:
            self._number += 1
            parcel = Parcel(
                id=f"{message.at:%Y%m%dT%H%M%S}-{self._number}-{message.way}",
                way=message.way,
                kind=str(message.kind),
                severity=message.severity,
                subject=subject_of(message, self._site.title),
                text=text_of(message, self._site.title, zone, page, self._taps(message)),
                made_at=message.at,
            )
            if message.way == BUS:
                payload = AlarmPayload(
                    at=parcel.made_at,
                    kind=parcel.kind,
                    severity=parcel.severity,
                    subject=parcel.subject,
                    text=parcel.text,
                )
                self._publish(self._topics.alarm, payload.to_json())
            else:
                self.courier.put(parcel)

    def _taps(self, message: Message) -> Taps:
        """Return links for a message to people; none on the bus, or where there is no page or no key."""
        page = self._site.alarm.page.rstrip("/")
        if not page or message.way == BUS or message.kind is not Kind.ALARM:
            return NO_TAPS
        try:
            key = key_in(self._journal.path.parent)
        except OSError as error:
            log.warning("no_link_key", trouble=str(error))
            return NO_TAPS

        def address(target: str) -> str:
            text = link_for(
                key, target=target, heat_s=TAP_HEAT_S, who=message.way[:40], valid_s=TAP_VALID_S, now_s=now_s
            )
            return f"{page}/tap/{text}"

        now_s = wall.time()
        return Taps(heat=address("all"), have=address(f"{ALARM}:all"))

    def _answer(self, order_id: str, order: Acknowledge | Try, before: Alarms) -> AnswerPayload:
        if isinstance(order, Try):
            names = ", ".join(way.name for way in self._site.alarm.ways)
            return AnswerPayload(
                order=order_id,
                accepted=bool(names),
                because=f"a test message goes to {names}" if names else "the site file names no way",
            )
        taken = [
            key
            for key, alarm in before.standing.items()
            if order.key in {key, "all"} and alarm in before.shown and not alarm.acknowledged_by
        ]
        because = f"{order.who} has {', '.join(taken)}" if taken else "no such alarm stands unacknowledged"
        return AnswerPayload(order=order_id, accepted=bool(taken), because=because)
