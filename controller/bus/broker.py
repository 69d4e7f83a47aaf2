"""Brokers for rehearsals and tests, as child processes: mosquitto, or amqtt where it cannot be had.

Both listen on the loopback address only, keep nothing on disk and let anybody in: on this machine, for as
long as a rehearsal lasts.  A real site runs mosquitto as a service, with the settings in ``deploy/``.
"""

import asyncio
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Literal

from controller.bus.messages import LARGEST_STATUS_BYTES
from controller.errors import BrokerError

START_WITHIN_S = 10.0
# A broker throws out whoever sends more, so the longest status must fit with its head.
LARGEST_PACKET_BYTES = LARGEST_STATUS_BYTES + 1024

# What amqtt 0.12 does not do, as measured; leases make each of these harmless.
AMQTT_LIMITS = (
    "a board that freezes or loses its power is not announced as lost; its silence is noticed after 90 s",
    "retained messages reach clients that did not ask for them; boards and controller ignore retained ones",
    "it speaks MQTT 3.1.1 only, so messages carry no expiry; leases carry their own",
)


class RunningBroker:
    """A broker on the loopback address.

    Attributes
    ----------
    kind : {"mosquitto", "amqtt"}
        Which broker it is.
    port : int
        Where it listens.
    pid : int
        The process it runs in.
    limits : tuple of str
        What it cannot do, in plain words.
    """

    def __init__(self, kind: Literal["mosquitto", "amqtt"], port: int, start: Callable[[], "_Child"]) -> None:
        self.kind, self.port = kind, port
        self.limits = AMQTT_LIMITS if kind == "amqtt" else ()
        self._start = start
        self._broker = start()

    @property
    def pid(self) -> int:
        """The process it runs in."""
        return self._broker.pid

    @property
    def running(self) -> bool:
        """Whether it still runs."""
        return self._broker.running

    def kill(self) -> None:
        """End it without a word, as a power cut does."""
        self._broker.kill()

    def stop(self) -> None:
        """End it in good order."""
        self._broker.stop()

    def restart(self) -> None:
        """Start it again on the same port, knowing nothing of before."""
        self._broker.kill()
        self._broker = self._start()


def find_mosquitto() -> str | None:
    """Return where mosquitto is: what RIMEWARD_MOSQUITTO names, else on the path, else Debian's place."""
    given = os.environ.get("RIMEWARD_MOSQUITTO")
    if given:
        return given if Path(given).is_file() else None
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


@contextmanager
def start_broker(
    folder: Path, *, port: int | None = None, kind: Literal["mosquitto", "amqtt"] | None = None
) -> Iterator[RunningBroker]:
    """Run a broker for as long as the context lasts.

    Parameters
    ----------
    folder
        Where its configuration and log are written.
    port
        Where it shall listen; left out, a free port.
    kind
        Which broker; left out, mosquitto if it is here, else amqtt.

    Raises
    ------
    BrokerError
        Neither can be started; the text says what to install.
    """
    binary = find_mosquitto()
    chosen = kind or ("mosquitto" if binary else "amqtt")
    where = port or _free_port()
    if chosen == "mosquitto" and binary is None:
        raise BrokerError("mosquitto is not here. On Debian or Ubuntu: apt-get install mosquitto")

    def start() -> _Child:
        if chosen == "mosquitto" and binary is not None:
            return _start_mosquitto(binary, folder, where)
        return _start_amqtt(folder, where)

    broker = RunningBroker(chosen, where, start)
    try:
        yield broker
    finally:
        broker.stop()


def _start_mosquitto(binary: str, folder: Path, port: int) -> "_Child":
    configuration = folder / "mosquitto.conf"
    lines = [
        f"listener {port} 127.0.0.1",
        "allow_anonymous true",
        "persistence false",
        f"max_packet_size {LARGEST_PACKET_BYTES}",
        "log_dest stderr",
        # as root it would look for a user of its own, who may not be there
        *(["user root"] if os.geteuid() == 0 else []),
    ]
    configuration.write_text("\n".join(lines) + "\n")
    return _Child([binary, "-c", str(configuration)], folder / "mosquitto.log", port)


def _start_amqtt(folder: Path, port: int) -> "_Child":
    if find_spec("amqtt") is None:
        raise BrokerError(
            "no broker is here: install mosquitto (on Debian or Ubuntu: apt-get install mosquitto), or "
            "Rimeward with its extra 'rehearsal'"
        )
    return _Child([sys.executable, "-m", "controller.bus.broker", str(port)], folder / "amqtt.log", port)


class _Child:
    """A broker as a child process, up and listening."""

    def __init__(self, command: list[str], log_path: Path, port: int) -> None:
        if _answers(port):  # or whoever listens there would be taken for the child
            raise BrokerError(f"port {port} is in use already; end what listens there or choose another")
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
        with log_path.open("ab") as log:
            self._process = subprocess.Popen(  # noqa: S603 (the brokers named above)
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=environment
            )
        if not _listens(port, lambda: self.running):
            self.kill()
            said = log_path.read_text(errors="replace").strip().splitlines()[-3:]
            raise BrokerError(
                f"{command[0]} did not start on 127.0.0.1:{port}: {' / '.join(said) or 'no word'}"
            )

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def running(self) -> bool:
        return self._process.poll() is None

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()

    def stop(self) -> None:
        self._process.terminate()
        try:
            self._process.wait(5.0)
        except subprocess.TimeoutExpired:
            self.kill()


async def _serve_amqtt(port: int) -> None:
    """Be an amqtt broker until killed; what the child process of ``_start_amqtt`` does."""
    from amqtt.broker import Broker  # noqa: PLC0415 (an extra that only rehearsals may have)

    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}", "max_connections": 50}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    await broker.start()
    await asyncio.Event().wait()


def _listens(port: int, alive: Callable[[], bool]) -> bool:
    """Wait until something listens on a loopback port."""
    ends_s = time.monotonic() + START_WITHIN_S
    while time.monotonic() < ends_s and alive():
        if _answers(port):
            return alive()
        time.sleep(0.02)
    return False


def _answers(port: int) -> bool:
    with socket.socket() as probe:
        probe.settimeout(0.5)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


if __name__ == "__main__":
    asyncio.run(_serve_amqtt(int(sys.argv[1])))
