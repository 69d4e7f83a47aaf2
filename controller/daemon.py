"""The daemon: the shell round the keeper.

Threads: the control loop (the only one that decides), the bus client's, that of the plain boards with their
clients', the journal's, the log's, and APScheduler's for what may be late (forecast, housekeeping).  The
main thread only watches: when any of them has died, or the broker no longer carries the daemon's own
messages, the process ends with exit code 70 and the service manager starts it again.  Heat is on meanwhile,
since leases lapse and plain boards hear the wills.
"""

import math
import os
import random
import signal
import threading
import time
import uuid
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Literal

import structlog

from controller.alarm.desk import Desk
from controller.alarm.engine import Situation
from controller.alarm.services import SERVICES, Troubles, found_in
from controller.alarm.status import MOST_SHOWN, alarms_for_status
from controller.bus.answers import KEPT_WITHIN_S, Answers
from controller.bus.inbound import Inbound
from controller.bus.messages import AlivePayload, AnswerPayload, LeasePayload
from controller.bus.mqtt import MqttTransport
from controller.bus.outbound import answer_payload, send, status_of
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.clock import Clock, clock_for, now_on
from controller.errors import AlreadyRunningError
from controller.guard.events import (
    Action,
    BoardGone,
    BusUp,
    Confirmed,
    Decide,
    EchoHeard,
    Event,
    Found,
    GiveLease,
    HandOrdered,
    Noted,
    ProbeHeard,
    Reply,
    Tick,
)
from controller.guard.state import State, begin
from controller.inbox import Inbox
from controller.jobs import Job, Jobs
from controller.journal.store import lock_folder, state_folder
from controller.journal.writer import Journal, Then
from controller.keeper import handle
from controller.log import start_logging
from controller.look_ahead import LookAhead
from controller.memory import stay_small
from controller.plain_boards import PlainThread
from controller.plan.slots import SLOT_S
from controller.proofs import SOURCE as PROOFS
from controller.proofs import Proofs
from controller.recall import SOURCE as BEFORE
from controller.recall import TOLD_S, Recall, still_wanted
from controller.service import notify
from controller.site.model import Site
from controller.thermal.fruit import lagged_c
from controller.thermal.parameters import parameters_of
from controller.vitals import LEAVE_WITHIN_S, STUCK_S, Vitals, leave_within

TICK_S = 10.0
NO_CLOCK = "the clock is not set, or has just jumped: times said may be wrong; control goes on without it"
STATUS_S = 30.0
FORECAST_S = 3600.0
# A challenger is learnt once a day; not soon after a start, when everything else has to find its feet.
FIT_S, FIRST_FIT_S = 86400.0, 20 * 3600.0
DIAGNOSE_S = 3600.0
# A reading is kept this often at most.
READING_S = 60.0
# The broker must carry the daemon's own messages within this time, else the connection is worth nothing.
SELF_HEARD_S = 90.0
# What keeps the broker from us is logged from then on: one started together with us needs a moment [s].
CONNECTED_WITHIN_S = 15.0
# A topic that carries what cannot be read is logged once in so long [s], with so much of what came; it is
# remembered of so many topics.
REFUSED_S, CAME_BYTES, MOST_REFUSED = 3600.0, 120, 200
# So long may the thread for plain boards stand still: their last text stands meanwhile.
STOOD_STILL_S = 30.0
EXIT_DEAD_THREAD = 70
CLIENT = "controller"

log = structlog.stdlib.get_logger()


class Daemon:
    """One site's guard.

    Parameters
    ----------
    site
        What to guard.
    folder
        Where journal and forecast cache live.
    clock
        The machine's clock, or a paced one in rehearsals.
    site_trouble
        What is wrong with the site file, where an older copy stands in for it.
    """

    def __init__(self, site: Site, folder: Path, clock: Clock, *, site_trouble: str = "") -> None:
        self.site, self.clock, self.site_trouble = site, clock, site_trouble
        self.topics = Topics(site.name)
        self.session = uuid.uuid4().hex[:12]
        self._state = begin(site, self.session)
        self.inbox = Inbox()
        self.inbound = Inbound(site, self._refuse)
        self.stopping = threading.Event()
        self.journal = Journal(folder / "journal.db")
        self.proofs = Proofs(site, folder)
        self.recall = Recall(site, self.journal.path, clock)
        self.transport = MqttTransport(
            site.broker,
            f"{site.name}-{CLIENT}",
            (*self.topics.heard_by_controller, *(p.topic for p in site.probes if p.topic)),
            self._hear,
            on_up=self._bus_up,
            on_down=self._bus_down,
            birth=Message(self.topics.alive(CLIENT), self._alive(alive=True)),
            will=Message(self.topics.alive(CLIENT), self._alive(alive=False)),
            ping_topic=self.topics.ping(CLIENT),
            protocol=site.broker.protocol,
        )
        self.answers = Answers(self._answer, KEPT_WITHIN_S * clock.pace)
        self.ahead = LookAhead(
            site, folder, clock, self.journal, self.inbox, state=lambda: self._state, stopping=self.stopping
        )
        self.desk = Desk(site, self.journal, clock, self.transport.publish)
        self.plain = PlainThread(site, clock)
        self.jobs = Jobs(self._all_jobs())
        self.vitals = Vitals()
        self._cycled_s = time.monotonic()
        self.control = threading.Thread(target=self._control, name="control", daemon=True)
        self._kept_s: dict[str, float] = {}
        self._status_due_s = float("-inf")
        self._bus_troubles: set[str] = set()  # those logged since there was none
        self._refused_s: dict[str, float] = {}  # when a topic was last said to carry what cannot be read
        self._away_until_s = float("inf")
        parameters = parameters_of(site)
        self._fruit_lag_s = parameters.fruit_capacity_j_per_k / parameters.fruit_w_per_k
        self._fruit_c: dict[str, float] = {}
        self._fruit_at_s = float("-inf")

    # ---- what other threads leave here ----------------------------------------------------------------

    def _hear(self, message: Message) -> None:
        if self.desk.is_for_desk(message.topic):
            self.desk.hear(message)
        elif self.inbound.is_for_controller(message.topic):
            self.inbox.put(message.topic, message)

    def _answer(self, answer: AnswerPayload) -> None:
        self.transport.publish(self.topics.answer(answer.order), answer.to_json())

    def _refuse(self, message: Message, because: str) -> None:
        """Say what came and cannot be read: to the person who awaits an answer, and in the log."""
        if asked := self.inbound.asked_by(message.topic):
            self._answer(AnswerPayload(order=asked, accepted=False, because=f"it cannot be read: {because}"))
        now_s = self.clock.mono_s()
        if not now_s - self._refused_s.get(message.topic, -math.inf) >= REFUSED_S:
            return
        if len(self._refused_s) >= MOST_REFUSED:
            self._refused_s.clear()
        self._refused_s[message.topic] = now_s
        came = message.payload[:CAME_BYTES].decode(errors="replace")
        log.warning("message_refused", topic=message.topic, because=because, came=came)

    def _bus_up(self) -> None:
        self.inbox.put("bus-up", BusUp())
        log.info("bus_up", host=self.site.broker.host, port=self.site.broker.port)

    def _bus_down(self) -> None:
        self._bus_troubles = {self.transport.trouble}
        log.warning("bus_down", trouble=self.transport.trouble)

    def _alive(self, *, alive: bool) -> bytes:
        return AlivePayload(session=self.session, alive=alive).to_json()

    def _plan_soon(self, why: str) -> None:
        """Let the next plan be made at once instead of at its quarter of an hour."""
        log.info("plan_soon", why=why)
        self.jobs.soon("plan")

    # ---- the control loop -----------------------------------------------------------------------------

    def _control(self) -> None:
        self.recall.start()
        self._apply(Found(source=PROOFS, findings=self.proofs.findings))
        self._cycled_s = time.monotonic()
        next_tick_s = self.clock.mono_s()
        while not self.stopping.is_set():
            self._take_up()
            urgent = self._take_in()
            if urgent or self.clock.mono_s() >= next_tick_s:
                self._apply(Tick())
                self._prove()
                self._report()
                self._publish_status()
                self.transport.beat()
                self._cycled_s = time.monotonic()
                notify("WATCHDOG=1")  # only a whole cycle proves that the loop lives
                next_tick_s = self.clock.mono_s() + TICK_S
            mono_s = self.clock.mono_s()
            self.answers.send_overdue(mono_s)
            self.clock.wait(self.inbox.arrived, min(next_tick_s - mono_s, self.answers.wait_s(mono_s)))
        self._leave()

    def _take_in(self) -> bool:
        """Pass what waits to the keeper; tell whether any of it cannot wait for the next tick."""
        urgent = False
        for item in self.inbox.take_all():
            event = self.inbound.event(item) if isinstance(item, Message) else item
            if event is None:
                continue
            if isinstance(event, EchoHeard):
                known = self._state.boards.get(event.board)
                urgent |= known is not None and known.boot != event.boot
                if known is None or known.on != event.on:
                    self._status_due_s = float("-inf")  # a relay moved: pages see the proof at once
            urgent |= isinstance(event, HandOrdered | Confirmed | BusUp | BoardGone)
            self._apply(event)
            if isinstance(event, ProbeHeard):
                self._keep_reading(event)
        return urgent

    def _apply(self, event: Event) -> None:
        now = now_on(self.clock)
        self._state, actions = handle(self._state, event, now)
        for action in actions:
            then = None
            if isinstance(action, GiveLease):
                action = self.proofs.pass_on(action, self._state, now)  # noqa: PLW2901 (the lease that is sent)
            if isinstance(action, Reply | Noted) and action.answer.accepted:  # answered once it is kept
                then = self.answers.expect(answer_payload(action), self.clock.mono_s())
            else:
                send(action, self.topics, self.transport)
            self._keep(action, then)

    def _prove(self) -> None:
        """Say what came of a board's monthly proof, once it did."""
        proof = self.proofs.look(self._state, now_on(self.clock))
        if proof is not None:
            log.info("proof", board=proof.board, passed=proof.passed, because=proof.because)
            self._apply(Found(source=PROOFS, findings=self.proofs.findings))

    def _keep(self, action: Action, then: Then | None) -> None:
        match action:
            case Decide(decision=decision, changed=changed):
                self.journal.put_decision(decision)
                if changed:
                    self._status_due_s = float("-inf")
                    log.info(
                        "decision",
                        output=decision.name,
                        active=decision.active,
                        reason=str(decision.reason),
                        because=decision.because,
                        at=decision.at.isoformat(),
                    )
            case Reply(answer=answer, order=order):
                self._status_due_s = float("-inf")
                self.journal.put_order(order, answer, self.clock.utc(), then)
                if answer.accepted:
                    self._plan_soon("a hand order")
                log.info("hand_order", who=order.who, accepted=answer.accepted, because=answer.because)
            case Noted(answer=answer, confirmation=word):
                self._status_due_s = float("-inf")
                self.journal.put_confirmation(word, answer, self.clock.utc(), then)
                log.info("confirmation", who=word.who, accepted=answer.accepted, because=answer.because)
            case _:
                pass

    def _keep_reading(self, event: ProbeHeard) -> None:
        mono_s = self.clock.mono_s()
        if mono_s - self._kept_s.get(event.probe, float("-inf")) >= READING_S:
            self._kept_s[event.probe] = mono_s
            self.journal.put_reading(event.probe, self.clock.utc(), event.temp_c)

    def _take_up(self) -> None:
        """Take up what people ordered and said before the daemon last ended, as soon as it could be read."""
        recalled = self.recall.take()
        if recalled is None:
            return
        for order in still_wanted(recalled.orders, self._state.orders.keys()):
            self._state, _ = handle(self._state, HandOrdered(order=order), now_on(self.clock))
            log.info("hand_order_recalled", who=order.who, target=order.target, order=str(order.order))
        for word in recalled.words:  # where something was said later, it is refused
            self._state, _ = handle(self._state, Confirmed(confirmation=word), now_on(self.clock))
        if recalled.away is not None:
            away = recalled.away.finding(self.site.place)
            log.warning("was_away", because=away.because)
            self._apply(Found(source=BEFORE, findings=(away,)))
            self._away_until_s = self.clock.mono_s() + TOLD_S

    def _publish_status(self) -> None:
        mono_s = self.clock.mono_s()
        if mono_s < self._status_due_s:
            return
        self._status_due_s = mono_s + STATUS_S
        if tree := self.ahead.stray():
            self._plan_soon(f"{tree} is not as warm as the plan saw it")
        self._follow_fruit(mono_s)
        shown = self.desk.shown
        status = status_of(
            self._state,
            now_on(self.clock),
            fruit_c=self._fruit_c,
            advice=self.ahead.advice,
            notices=self._troubles().notices,
            alarms=alarms_for_status(shown),
            alarms_more=max(0, len(shown) - MOST_SHOWN),
        )
        self.transport.publish(self.topics.status, status.to_json(), retain=True)

    def _troubles(self) -> Troubles:
        outlook = self._state.outlook
        return Troubles(
            site=self.site_trouble,
            forecast=self.ahead.forecast_trouble,
            plan=self.ahead.plan_trouble,
            model=self.ahead.model_trouble,
            journal=self.journal.trouble,
            broker=self.transport.trouble,
            alarm=self.desk.trouble,
            job=self.jobs.trouble,
            clock="" if now_on(self.clock).clock_trusted else NO_CLOCK,
            memory=self.vitals.trouble,
            outlook_age_s=(self.clock.utc() - outlook.made_at).total_seconds() if outlook else math.inf,
        )

    def _report(self) -> None:
        """Leave what is found now with the desk; the services' troubles are findings too."""
        if self.clock.mono_s() >= self._away_until_s:
            self._away_until_s = float("inf")
            self._apply(Found(source=BEFORE, findings=()))
        findings = found_in(self._troubles())
        if findings != self._state.findings.get(SERVICES, ()):
            self._apply(Found(source=SERVICES, findings=findings))
        state = self._state
        outlook = state.outlook.sentence if state.outlook else ""
        self.desk.leave(Situation(findings=state.found, proven=state.proven, outlook=outlook))

    def _follow_fruit(self, mono_s: float) -> None:
        """Let each tree's fruit follow the air its decision went by."""
        elapsed_s, self._fruit_at_s = mono_s - self._fruit_at_s, mono_s
        for tree, lag_s in zip(self.site.trees, self._fruit_lag_s.tolist(), strict=True):
            heat = self._state.heat.get(tree.name)
            air_c = heat.temp_c if heat else math.nan
            self._fruit_c[tree.name] = lagged_c(
                self._fruit_c.get(tree.name, math.nan), air_c, elapsed_s, lag_s
            )

    def _leave(self) -> None:
        """End every lease, so that each output takes its rest now and not when the lease runs out."""
        for name, board in self._state.boards.items():
            if board.boot:
                rest = LeasePayload(session=self.session, boot=board.boot, seq=board.seq + 1, ttl_s=1.0)
                self.transport.publish(self.topics.lease(name), rest.to_json(), expiry_s=60.0)
        self.transport.publish(self.topics.alive(CLIENT), self._alive(alive=False))
        log.info("left", outputs="at rest")

    # ---- life ------------------------------------------------------------------------------------------

    @property
    def state(self) -> State:
        """What the keeper knows now."""
        return self._state

    def run(self) -> int:
        """Guard until told to stop; return the exit code."""
        self.journal.start()
        self.transport.start()
        self.plain.start()
        self.control.start()
        self.desk.start()
        self.jobs.start()
        log.info("guarding", site=self.site.name, session=self.session, trees=len(self.site.trees))
        notify("READY=1")
        code = self._watch()
        in_time = leave_within(
            LEAVE_WITHIN_S, code or EXIT_DEAD_THREAD
        )  # a dead disk or pipe may hold us here
        self.stopping.set()
        self.recall.stop()
        self.inbox.arrived.set()
        self.control.join(5.0)
        self.plain.stop(5.0)
        self.jobs.stop()
        self.desk.stop()
        self.transport.close()
        self.journal.stop()
        in_time.cancel()
        return code

    def _all_jobs(self) -> tuple[Job, ...]:
        # a random minute of the hour, so that all sites together do not ask the service at once
        jitter_s = random.uniform(0, FORECAST_S / 4) if self.clock.pace == 1.0 else 0.0  # noqa: S311 (no secret)
        jobs = (
            Job(
                "forecast",
                self.ahead.pull_forecast,
                0.0,
                FORECAST_S + jitter_s,
                600.0,
                at_once_after_jump=True,
            ),
            Job("plan", self.ahead.make_plan, SLOT_S, SLOT_S, 300.0),
            Job("prune", self._prune, 600.0, 86400.0, 300.0),
            Job("fit", self.ahead.fit_model, FIRST_FIT_S, FIT_S, 7200.0),
            Job("diagnose", self.ahead.diagnose, DIAGNOSE_S, DIAGNOSE_S, 1800.0),
        )
        pace = self.clock.pace  # deadlines are the machine's, not the rehearsal's
        return tuple(replace(j, first_s=j.first_s / pace, every_s=max(1.0, j.every_s / pace)) for j in jobs)

    def _prune(self) -> None:
        now = now_on(self.clock)
        if now.clock_trusted:  # by a clock years ahead everything is old
            self.journal.prune(now.utc)

    def _watch(self) -> int:
        """Watch over threads, loop and memory until told to stop (0) or one is beyond help (70)."""
        bus_from_s = time.monotonic() + CONNECTED_WITHIN_S
        while not self.stopping.wait(1.0):
            self.jobs.look()
            if time.monotonic() >= bus_from_s:
                self._log_bus_trouble()
            if dead := self._beyond_help():
                log.critical("thread_died", dead=dead, then="the process ends and is started again")
                return EXIT_DEAD_THREAD
        return 0

    def _log_bus_trouble(self) -> None:
        """Log what keeps the broker from us, a wrong password say: each cause once until there is none."""
        trouble = self.transport.trouble
        if not trouble:
            self._bus_troubles = set()
        elif trouble not in self._bus_troubles:
            self._bus_troubles.add(trouble)
            log.warning("bus_trouble", trouble=trouble)

    def _beyond_help(self) -> list[str]:
        """Return what only a new process mends; heat is on meanwhile, since leases lapse."""
        threads = {
            "control": self.control,
            "journal": self.journal.thread,
            "alarm": self.desk.thread,
            "courier": self.desk.courier.thread,
        }
        dead = [name for name, thread in threads.items() if not thread.is_alive()]
        stood_s = time.monotonic() - self._cycled_s
        if not stood_s <= STUCK_S:
            dead.append(f"control (has not decided for {stood_s:.0f} s)")
        if not self.transport.thread_alive:
            dead.append("bus")
        if self.plain.is_dead or self.plain.stood_still_s > STOOD_STILL_S:
            dead.append("plain boards")  # their wills are said when the process ends
        if self.jobs.is_dead:
            dead.append("jobs")
        if self.transport.last_heard_self_s > SELF_HEARD_S:
            dead.append("broker (does not carry our own messages)")
        if self.vitals.is_bursting:
            dead.append("memory")
        return dead


def run_daemon(
    site: Site,
    *,
    folder: Path | None,
    form: Literal["json", "console"],
    pace: float,
    since: str | None,
    site_trouble: str = "",
) -> int:
    """Guard a site until SIGTERM or SIGINT; return the exit code.

    ``site_trouble`` says what is wrong with the site file, where ``site`` is a kept copy of an older one.
    """
    stay_small()
    clock = clock_for(site, pace, since)
    folder = state_folder(site.name, folder)
    folder.mkdir(parents=True, exist_ok=True)
    lock = lock_folder(folder)
    if lock is None:
        raise AlreadyRunningError(
            f"another Rimeward already guards with {folder}; stop it first (systemctl stop)"
        )
    listener = start_logging(form)
    daemon = Daemon(site, folder, clock, site_trouble=site_trouble)
    if site_trouble:
        log.error("site_file_refused", trouble=site_trouble)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: daemon.stopping.set())
    threading.excepthook = partial(_end_process, daemon.stopping)
    try:
        return daemon.run()
    finally:
        listener.stop()
        lock.close()


def _end_process(stopping: threading.Event, args: threading.ExceptHookArgs) -> None:
    """End the process when any thread dies of an exception: started anew, with heat on meanwhile."""
    name = args.thread.name if args.thread else "a thread"
    trace: tuple[type[BaseException], BaseException, TracebackType | None] | None = None
    if args.exc_value is not None:
        trace = (args.exc_type, args.exc_value, args.exc_traceback)
    if stopping.is_set():  # it ends in good order already, and a thread stumbled over what was taken down
        log.warning("thread_stumbled", thread=name, exc_info=trace)
        return
    log.critical("thread_died", thread=name, exc_info=trace)
    threading.Event().wait(0.5)  # the log's own thread needs a moment to write the line
    os._exit(EXIT_DEAD_THREAD)
