"""A night played live: the real daemon as a process of its own, a real broker, real HTTP, a simulated world.

This process plays the house, its boards and the forecast service, and stands in for the service manager: it
starts broker and daemon, and starts them again when they end.
"""

import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from controller.bus.broker import RunningBroker, start_broker
from controller.bus.messages import LARGEST_STATUS_BYTES, DecisionPayload, StatusPayload, read
from controller.bus.mqtt import MqttTransport, Protocol
from controller.bus.topics import Topics
from controller.bus.transport import Listener, Message, Transport
from controller.clock import PacedClock
from controller.errors import MessageError
from controller.guard.decision import Reason
from controller.local_time import localised
from controller.site.model import Broker, ForecastService, ForecastSettings, Site
from simulator.forecast_server import ForecastServer
from simulator.night import Night
from simulator.show import word_for
from simulator.world import World

# The world moves on at least this often [s of its own time].
STEP_S = 5.0
# What a service manager waits before it starts a daemon again [s].
RESTART_AFTER_S = 5.0
# A line on how things stand, this often [s of the rehearsal].
REPORT_S = 3600.0


class _BoardLine:
    """A board's connection; what it hears waits until the world's own thread takes it."""

    def __init__(
        self,
        broker: Broker,
        protocol: Protocol,
        client: str,
        filters: Sequence[str],
        listener: Listener,
        will: Message | None,
        on_up: Callable[[], None],
    ) -> None:
        self._listener = listener
        self._heard: deque[Message] = deque(maxlen=100)
        self._mqtt = MqttTransport(
            broker,
            client,
            filters,
            self._heard.append,
            on_up=on_up,
            will=will,
            protocol=protocol,
            keepalive_s=10,
        )
        self._mqtt.start()

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, expiry_s: float | None = None
    ) -> None:
        """Send a message if the broker is there."""
        self._mqtt.publish(topic, payload, retain=retain, expiry_s=expiry_s)

    def take_in(self) -> None:
        """Hand out what was heard."""
        while self._heard:
            self._listener(self._heard.popleft())

    def kill(self) -> None:
        """Leave."""
        self._mqtt.close()


class LiveRehearsal:
    """A night under way.

    Parameters
    ----------
    night, site, seed
        What is played, where, and with which chance.
    pace
        How much faster than life.
    say
        Where lines for people go.
    restart_after_s
        How long a daemon or broker that ended stays down [s of the wall].
    """

    def __init__(
        self,
        night: Night,
        site: Site,
        seed: int,
        *,
        pace: float,
        say: Callable[[str], None],
        restart_after_s: float = RESTART_AFTER_S,
    ) -> None:
        self.night, self.site, self.seed, self.pace, self.say = night, site, seed, pace, say
        self.restart_after_s = restart_after_s
        self.stopping = threading.Event()
        self.first_heat_s: float | None = None
        self.world: World | None = None
        self._begun_s = time.monotonic()
        self._zone = ZoneInfo(site.place.time_zone)
        self._lines: list[_BoardLine] = []
        self._topics = Topics(site.name)
        self._said: deque[Message] = deque(maxlen=1000)
        self._told: dict[str, tuple[bool, str]] = {}
        self._outlook = ""
        self._down_since_s: float | None = None

    def run(self) -> World:
        """Play to the end, or until ``stopping`` is set; return the world as it then is."""
        with ExitStack() as stack:
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="rimeward-")))
            self.broker: RunningBroker = stack.enter_context(start_broker(folder))
            protocol: Protocol = "5" if self.broker.kind == "mosquitto" else "3.1.1"
            self._connection = Broker(host="127.0.0.1", port=self.broker.port)
            self.world = world = World.of_night(
                self.night, self.seed, self._connector(protocol), site=self.site
            )
            self.clock = PacedClock(self.pace, world.start_utc, time.time())
            server = stack.enter_context(
                ForecastServer(world.sky, self.site.place, self.night.forecast, self.seed, now=self.clock.utc)
            )
            self._site_file = folder / "site.json"
            self._site_file.write_text(
                self._rehearsal_site(server.url, protocol).model_dump_json(by_alias=True)
            )
            self._log = stack.enter_context((folder / "daemon.log").open("ab"))
            self._folder = folder
            listener = MqttTransport(
                self._connection,
                "watcher",
                (self._topics.decision("+"), self._topics.status),
                self._said.append,
                protocol=protocol,
                largest_payload_bytes=LARGEST_STATUS_BYTES,
            )
            listener.start()
            stack.callback(listener.close)
            stack.callback(self._stop_daemon)
            for line in self._lines:
                stack.callback(line.kill)
            self._start_daemon()
            stack.callback(self._stop_page)
            self._start_page()
            self._announce(world)
            self._loop(world)
            return world

    # ---- inside ---------------------------------------------------------------------------------------

    def _connector(self, protocol: Protocol) -> Callable[..., Transport]:
        def connect(
            client: str,
            filters: Sequence[str],
            listener: Listener,
            will: Message | None,
            *,
            on_up: Callable[[], None],
        ) -> Transport:
            line = _BoardLine(self._connection, protocol, client, filters, listener, will, on_up)
            self._lines.append(line)
            return line

        return connect

    def _rehearsal_site(self, forecast_url: str, protocol: Protocol) -> Site:
        services = (ForecastService(kind="open-meteo", base_url=forecast_url),)
        return self.site.model_copy(
            update={
                "rehearsal": True,
                "broker": self._connection.model_copy(update={"protocol": protocol}),
                "forecast": ForecastSettings(use="non-commercial", service=services),
            }
        )

    def _start_daemon(self) -> None:
        self.daemon = self._start_command("run")

    def _start_page(self) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.page_port = probe.getsockname()[1]
        self.page = self._start_command("phone", "--port", str(self.page_port))

    def _start_command(self, *command: str) -> subprocess.Popen[bytes]:
        options = {
            "--site": self._site_file,
            "--state": self._folder / "state",
            "--pace": repr(self.pace),
            "--since": self.clock,
        }
        return subprocess.Popen(  # noqa: S603 (our own command)
            [
                *(sys.executable, "-m", "controller", *command),
                *(str(part) for option in options.items() for part in option),
            ],
            stdout=self._log,
            stderr=self._log,
            env={
                **os.environ,
                "OPENBLAS_NUM_THREADS": "1",
                "PYTHONPATH": os.pathsep.join(filter(None, sys.path)),
            },
        )

    def _stop_daemon(self) -> None:
        _stop(self.daemon)

    def _stop_page(self) -> None:
        _stop(self.page)

    def _announce(self, world: World) -> None:
        broker = self.broker
        self.say(f"{self.night.title} at {self.site.title}: {self.night.says}")
        self.say(f"The clock runs {self.pace:g} times as fast as life. Nothing real is switched.")
        self.say(f"broker: {broker.kind} on 127.0.0.1:{broker.port}, process {broker.pid}")
        for limit in broker.limits:
            self.say(f"  its limits: {limit}")
        self.say(f"controller: process {self.daemon.pid}; kill either and see what the boards do")
        self.say(f"page: http://127.0.0.1:{self.page_port}/, process {self.page.pid}; on this machine only")
        self.say(f"{'time':12} {'what':16} {'is':5} why")
        self._report(world)

    def _loop(self, world: World) -> None:
        next_report_s = REPORT_S
        end_s = self.night.hours * 3600.0
        while not self.stopping.is_set() and world.elapsed_s < end_s:
            behind_s = self.clock.mono_s() - world.elapsed_s
            if behind_s < STEP_S:
                self.clock.wait(self.stopping, STEP_S - behind_s)
                continue
            for line in self._lines:
                line.take_in()
            world.step(min(behind_s, 4 * STEP_S))
            self._tell_news()
            self._keep_up()
            if world.elapsed_s >= next_report_s:
                next_report_s += REPORT_S
                self._report(world)

    def _keep_up(self) -> None:
        """Start broker or daemon again when they have been down for a while, as a service manager does."""
        down = [
            name
            for name, up in (("broker", self.broker.running), ("controller", self._daemon_runs()))
            if not up
        ]
        if not down:
            self._down_since_s = None
        elif self._down_since_s is None:
            self._down_since_s = time.monotonic()
            self.say(f"{self._local():12} {' and '.join(down)} ended; the boards' leases now run out")
        elif time.monotonic() - self._down_since_s >= self.restart_after_s:
            self._down_since_s = None
            if "broker" in down:
                self.broker.restart()
            if "controller" in down:
                self._start_daemon()
            self.say(f"{self._local():12} {' and '.join(down)} started again")

    def _daemon_runs(self) -> bool:
        return self.daemon.poll() is None

    def _tell_news(self) -> None:
        """Say what the controller newly decided or expects."""
        while self._said:
            message = self._said.popleft()
            try:
                if message.topic == self._topics.status:
                    self._tell_outlook(read(StatusPayload, message.payload))
                else:
                    self._tell_decision(read(DecisionPayload, message.payload))
            except MessageError:
                continue

    def _tell_outlook(self, status: StatusPayload) -> None:
        if status.outlook != self._outlook:
            self._outlook = status.outlook
            outlook = localised(status.outlook, status.at, self._zone)
            self.say(f"{self._local(status.at):12} {'(outlook)':16} {'':5} {outlook}")

    def _tell_decision(self, decision: DecisionPayload) -> None:
        news = (decision.active, decision.reason)
        if self._told.get(decision.name) == news:
            return
        self._told[decision.name] = news
        if decision.kind == "tree" and decision.reason == Reason.COLD and self.first_heat_s is None:
            self.first_heat_s = time.monotonic() - self._begun_s
        word = word_for(decision.kind, active=decision.active)
        because = localised(decision.because, decision.at, self._zone)
        self.say(f"{self._local(decision.at):12} {decision.name:16} {word:5} {because}")

    def _report(self, world: World) -> None:
        trees = ", ".join(
            f"{tree.name} {air_c:.1f}"
            for tree, air_c in zip(self.site.trees, world.plant.tree_air_c, strict=True)
        )
        self.say(
            f"{self._local():12} {'(true air)':16} {'':5} outside {world.weather.outside_temp_c:.1f} °C, "
            f"house {world.plant.house_c:.1f}, under fleece: {trees}; {world.record.kwh:.2f} kWh so far"
        )

    def _local(self, at: datetime | None = None) -> str:
        return f"{(at or self.clock.utc()).astimezone(self._zone):%a %H:%M:%S}"


def _stop(process: subprocess.Popen[bytes]) -> None:
    process.send_signal(signal.SIGTERM)
    try:
        process.wait(10.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
