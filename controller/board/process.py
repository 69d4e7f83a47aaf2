"""The board process: pins, probes and a broker's client round the pure ``Outputs``.

Threads: the loop (the caller's, the only one that switches), the bus client's, and one that reads probes,
since a reading takes most of a second and a broken wire can make it hang.  When any of them dies, the process
ends with exit code 70, every coil goes dead, and the service manager starts it again: with heat on.
"""

import math
import os
import signal
import threading
from collections import deque
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from secrets import token_hex
from typing import Literal

import structlog

from controller.board.file import BoardFile
from controller.board.outputs import Outputs
from controller.board.probes import OneWireReading, ProbeFault, read_probe
from controller.board.relays import Relays, pin_factory
from controller.board.restart import Life, Watchdog
from controller.bus.messages import AlivePayload, ProbePayload
from controller.bus.mqtt import MqttTransport
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.clock import Clock, SystemClock, now_on
from controller.log import start_logging
from controller.service import notify

TICK_S = 0.5
ECHO_EVERY_S = 30.0
READ_EVERY_S = 20.0
EXIT_DEAD_THREAD = 70
# Leases waiting for the loop; whoever floods the topic pushes out his own.
MOST_WAITING = 100

log = structlog.stdlib.get_logger()


class BoardProcess:
    """One board under way.

    Parameters
    ----------
    board, relays, clock
        What it is, what it switches and the time it goes by.
    reset_reason
        Why it starts.
    pet
        Called after each whole cycle.

    Attributes
    ----------
    taken : int
        How many messages the loop has taken in.
    outputs : Outputs
        The pure side.
    """

    def __init__(
        self,
        board: BoardFile,
        relays: Relays,
        clock: Clock,
        *,
        reset_reason: str = "power-on",
        pet: Callable[[], None] = lambda: None,
    ) -> None:
        self.board, self.relays, self.clock = board, relays, clock
        self.stopping = threading.Event()
        self.taken = 0
        boot = token_hex(6)
        self.outputs = Outputs(board, boot, clock.mono_s())
        self.topics = Topics(board.site)
        self._reset_reason, self._pet = reset_reason, pet
        self._echoed_s = -math.inf
        self._faults: dict[str, ProbeFault | None] = {}
        self._arrived = threading.Event()
        self._leases: deque[Message] = deque(maxlen=MOST_WAITING)
        self._readings: deque[tuple[str, OneWireReading]] = deque(maxlen=MOST_WAITING)
        self._prober = threading.Thread(target=self._read_probes, name="probes", daemon=True)
        alive = self.topics.alive(board.name)
        self.transport = MqttTransport(
            board.broker,
            f"{board.site}-{board.name}",
            (self.topics.lease(board.name),),
            self._hear,
            on_up=self._echo_soon,
            birth=Message(alive, AlivePayload(session=boot, alive=True).to_json()),
            will=Message(alive, AlivePayload(session=boot, alive=False).to_json()),
            protocol=board.broker.protocol,
        )

    def run(self) -> int:
        """Be the board until told to stop; return the exit code."""
        self.transport.start()
        self._prober.start()
        notify("READY=1")
        log.info("board", name=self.board.name, boot=self.outputs.contract.boot, started=self._reset_reason)
        code = 0
        while not self.stopping.is_set():
            self._cycle()
            dead = not (self.transport.thread_alive and self._prober.is_alive())
            if dead and not self.stopping.is_set():
                log.critical("thread_died", then="the process ends, heat on, and is started again")
                code = EXIT_DEAD_THREAD
                break
            self.clock.wait(self._arrived, TICK_S)
        self._leave()
        return code

    # ---- what other threads leave here ----------------------------------------------------------------

    def _hear(self, message: Message) -> None:
        self._leases.append(message)
        self._arrived.set()

    def _echo_soon(self) -> None:
        self._echoed_s = -math.inf
        self._arrived.set()

    def _read_probes(self) -> None:
        while not self.stopping.is_set():
            for probe in self.board.probes:
                reading = read_probe(Path(self.board.one_wire), probe.device)
                self._readings.append((probe.name, reading))
                self._arrived.set()
            self.clock.wait(self.stopping, READ_EVERY_S)

    # ---- the loop -------------------------------------------------------------------------------------

    def _cycle(self) -> None:
        """Take in what came, switch, and say what is due."""
        self._arrived.clear()
        obeyed = self._take_leases()
        self._take_readings()
        mono_s = self.clock.mono_s()
        before = self.outputs.on
        on = self.outputs.step(mono_s)
        self.relays.show(on)
        if on != before:
            log.info("switched", on=on, leased=self.outputs.contract.is_leased(mono_s))
        if obeyed or on != before or not mono_s - self._echoed_s < ECHO_EVERY_S:
            self._echo(mono_s)
        self._pet()
        notify("WATCHDOG=1")  # only a whole cycle proves that the loop lives

    def _take_leases(self) -> bool:
        obeyed = False
        while self._leases:
            refusal = self.outputs.contract.hear(self._leases.popleft(), self.clock.mono_s())
            self.taken += 1
            if refusal is None:
                obeyed = True
            else:
                log.warning("lease_refused", why=str(refusal))
        return obeyed

    def _take_readings(self) -> None:
        now = now_on(self.clock)
        while self._readings:
            name, reading = self._readings.popleft()
            self.outputs.hear_probe(name, reading.temp_c, now.mono_s)
            if self._faults.get(name) is not reading.fault:
                self._faults[name] = reading.fault
                log.warning("probe", name=name, fault=str(reading.fault or "none: sound again"))
            temp_c = None if reading.fault else reading.temp_c
            payload = ProbePayload(temp_c=temp_c, at=now.utc if now.clock_trusted else None)
            self.transport.publish(self.topics.probe(name), _with_null(payload))

    def _echo(self, mono_s: float) -> None:
        self._echoed_s = mono_s
        now = now_on(self.clock)
        at = now.utc if now.clock_trusted else None
        echo = self.outputs.contract.echo(mono_s, at, self._reset_reason, on=self.relays.on())
        self.transport.publish(self.topics.echo(self.board.name), echo.to_json())

    def _leave(self) -> None:
        """Let every heater heat, say so, and go."""
        self.stopping.set()
        self.relays.show(self.board.heaters)
        self._echo(self.clock.mono_s())
        gone = AlivePayload(session=self.outputs.contract.boot, alive=False)
        self.transport.publish(self.topics.alive(self.board.name), gone.to_json())
        self.transport.close()
        log.info("left", heat="on")


def _with_null(payload: ProbePayload) -> bytes:
    """Return a reading as it goes on the bus; a probe that gave nothing says null."""
    return payload.model_dump_json(exclude_none=payload.temp_c is not None).encode()


def run_board(board: BoardFile, *, folder: Path, form: Literal["json", "console"], mock: bool) -> int:
    """Be a board until SIGTERM or SIGINT; return the exit code.  Every coil is dead before anything else."""
    with ExitStack() as stack:
        relays = Relays(board, pin_factory(mock=mock))
        stack.callback(relays.close)
        listener = start_logging(form)
        stack.callback(listener.stop)
        life = Life(folder)
        reason = life.begin()
        watchdog = stack.enter_context(Watchdog(board.watchdog))
        process = BoardProcess(board, relays, SystemClock(), reset_reason=reason, pet=watchdog.pet)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: process.stopping.set())
        threading.excepthook = _end_process
        code = process.run()
        if code == 0:
            life.end()
        return code


def _end_process(args: threading.ExceptHookArgs) -> None:
    """Log a thread's death; the loop sees it within half a second and ends the process with heat on."""
    name = args.thread.name if args.thread else "a thread"
    log.critical("thread_died", thread=name, fault=repr(args.exc_value))


def run_folder() -> Path:
    """Return a folder that the machine forgets when it restarts (systemd's RuntimeDirectory)."""
    return Path(os.environ.get("RUNTIME_DIRECTORY", "/tmp/rimeward-board"))  # noqa: S108 (holds no secret)
