"""Who may say what at the broker: every pair of user and topic, against mosquitto with our own settings."""

import re
import shutil
import socket
import subprocess
import time
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from controller import daemon
from controller.bus.broker import find_mosquitto
from controller.bus.topics import Topics
from controller.clock import SystemClock
from controller.guard.events import EchoHeard, LeaseHeard, Tick
from controller.site.model import Broker
from tests.bus.conftest import until

DEPLOY = Path(__file__).parents[2] / "deploy"
TOPICS = Topics("curlew-yard")
USERS = ("controller", "phone", "east", "west")

# Everything that is said on the bus, and who may say it besides the controller.
SPOKEN = {
    TOPICS.lease("east"): set(),
    TOPICS.lease("west"): set(),
    TOPICS.echo("east"): {"east"},
    TOPICS.echo("west"): {"west"},
    TOPICS.alive("east"): {"east"},
    TOPICS.alive("west"): {"west"},
    TOPICS.alive("controller"): set(),
    TOPICS.ping("controller"): set(),
    TOPICS.probe("air-satsuma-door"): {"east"},
    TOPICS.probe("air-yuzu"): {"west"},
    TOPICS.power("a"): {"east"},
    TOPICS.status: set(),
    TOPICS.decision("yuzu"): set(),
    TOPICS.hand("o1"): {"phone"},
    TOPICS.confirm("w1"): {"phone"},
    TOPICS.acknowledge("a1"): {"phone"},
    TOPICS.test("t1"): set(),
    TOPICS.alarm: set(),
    TOPICS.answer("o1"): set(),
    "rimeward/1/another-yard/lease/east": set(),
    "elsewhere": set(),
}
# ... and who may hear it besides the controller.
HEARD = {
    TOPICS.lease("east"): {"east"},
    TOPICS.lease("west"): {"west"},
    TOPICS.status: {"phone"},
    TOPICS.answer("o1"): {"phone"},
}


def _configure(folder):
    """Write what deploy/ says, for a free port on loopback and these users; return the port."""
    passwords = folder / "rimeward.passwd"
    passwords.touch(mode=0o600)
    for user in USERS:
        subprocess.run(["mosquitto_passwd", "-b", passwords, user, f"{user}-secret"], check=True)
    (folder / "rimeward.acl").write_text((DEPLOY / "mosquitto.acl").read_text())
    with socket.create_server(("127.0.0.1", 0)) as free:
        found = free.getsockname()[1]
    text = (DEPLOY / "mosquitto.conf").read_text().replace("/etc/mosquitto", str(folder))
    text = re.sub(r"^listener 1883$", f"listener {found} 127.0.0.1\nuser root", text, flags=re.MULTILINE)
    (folder / "mosquitto.conf").write_text(text)
    return found


@pytest.fixture(scope="module")
def port(tmp_path_factory):
    """Run mosquitto as deploy/ says, on loopback, with a password for each user."""
    if find_mosquitto() is None or shutil.which("mosquitto_passwd") is None:
        pytest.skip("mosquitto is not installed")
    folder = tmp_path_factory.mktemp("broker")
    found = _configure(folder)
    with subprocess.Popen(
        [find_mosquitto(), "-c", folder / "mosquitto.conf"], stderr=subprocess.DEVNULL
    ) as broker:
        yield found
        broker.terminate()


class Client:
    """A plain MQTT client that notes what it hears."""

    def __init__(self, port, user, password, filters=("#",), name=""):
        self.heard, self.refused, self.up = [], "", False
        self._client = mqtt.Client(
            mqtt.CallbackAPIVersion.VERSION2, client_id=name or f"test-{user}", protocol=mqtt.MQTTv5
        )
        if user:
            self._client.username_pw_set(user, password)
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: setattr(self, "up", True)
        self._client.on_message = lambda _, __, message: self.heard.append(message.topic)
        self._filters = filters
        self._client.reconnect_delay_set(1, 1)
        for _ in range(50):
            try:
                self._client.connect("127.0.0.1", port)
                break
            except OSError:
                time.sleep(0.1)
        self._client.loop_start()

    def _connected(self, client, _, __, reason, ___):
        if reason.is_failure:
            self.refused = str(reason)
            client.disconnect()
        else:
            client.subscribe([(each, 0) for each in self._filters])

    def say(self, topic, payload=b"{}"):
        self._client.publish(topic, payload, qos=1).wait_for_publish(5.0)

    def close(self):
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def join(port):
    clients = []

    def enter(user, password=None, **more):
        clients.append(Client(port, user, password or f"{user}-secret", **more))
        until(lambda: clients[-1].up or clients[-1].refused)
        return clients[-1]

    yield enter
    for client in clients:
        client.close()


@pytest.mark.fault("N01", "N02", "M15")
@pytest.mark.parametrize(("user", "password"), [("", ""), ("guest", "guest"), ("controller", "wrong")])
def test_nobody_gets_in_without_a_name_and_its_password(join, user, password, met):
    assert join(user, password or "x").refused in {"Not authorized", "Bad user name or password"}
    met(reaction="none: nobody is let in", alarm="none: nobody is let in")


@pytest.mark.fault("N01", "N02", "N04", "M16", "P-21")
@pytest.mark.parametrize("user", [user for user in USERS if user != "controller"])
def test_each_says_only_what_is_its_own(join, user, met):
    listener, speaker = join("controller", name="listener"), join(user)
    for topic in SPOKEN:
        speaker.say(topic)
    join("controller", name="marker").say(TOPICS.ping("controller"))
    until(lambda: TOPICS.ping("controller") in listener.heard)
    expected = {topic for topic, speakers in SPOKEN.items() if user in speakers}
    assert set(listener.heard) - {TOPICS.ping("controller")} == expected
    met(reaction="none: the broker passes nothing of it on", alarm="none: the broker passes nothing of it on")


@pytest.mark.fault("N03")
@pytest.mark.parametrize("user", [user for user in USERS if user != "controller"])
def test_each_hears_only_what_it_needs_so_that_nothing_can_be_recorded(join, user):
    listener, controller = join(user), join("controller")
    for topic in SPOKEN:
        if topic.startswith(TOPICS.root):
            controller.say(topic)
    last = next(topic for topic, listeners in reversed(HEARD.items()) if user in listeners)
    until(lambda: last in listener.heard)
    assert set(listener.heard) == {topic for topic, listeners in HEARD.items() if user in listeners}


@pytest.mark.fault("N01")
def test_a_lease_that_gets_through_all_the_same_is_answered_at_the_next_tick(drive, met):
    """A foreign OFF ends with its ttl at the latest; the echo that tells of it is named at once."""
    drive.temps_c |= {probe: -1.0 for tree in drive.site.trees for probe in tree.probes}
    drive.step()
    given = len(drive.leases())
    heard_s = drive.mono_s
    drive.tell(EchoHeard(board="east", boot="b1", session="somebody-else", seq=99, on=(), uptime_s=50.0))
    drive.mono_s += 70.0
    drive.tell(Tick())
    answered_s = drive.mono_s - heard_s
    assert len(drive.leases()) > given
    assert all(not each.lease.off for each in drive.leases()[given:] if each.lease.board == "east")
    drive.tell(LeaseHeard(board="east", session="somebody-else", seq=99))
    drive.step(30.0)
    assert "strange-lease.east" in {each.key for each in drive.state.found}
    met(reaction=answered_s, alarm=drive.mono_s - heard_s)


def test_a_controller_without_a_login_logs_that_it_is_refused(port, curlew_yard, tmp_path, monkeypatch):
    said = []
    monkeypatch.setattr(
        daemon.log, "warning", lambda event, **more: said.append((event, more)), raising=False
    )
    site = curlew_yard.model_copy(update={"broker": Broker(port=port)})
    guard = daemon.Daemon(site, tmp_path, SystemClock())
    guard.transport.start()
    until(lambda: "refuses" in guard.transport.trouble)
    guard._log_bus_trouble()
    guard.transport.close()
    (told,) = said
    assert told[0] == "bus_trouble"
    assert "Not authorized" in told[1]["trouble"]


@pytest.mark.fault("M24")
def test_a_broker_that_can_write_nothing_still_carries_every_message(tmp_path, met):
    """With our settings it keeps nothing on disk, so that a full one is no matter: here no file may grow."""
    if find_mosquitto() is None or shutil.which("mosquitto_passwd") is None:
        pytest.skip("mosquitto is not installed")
    port = _configure(tmp_path)
    command = ["prlimit", "--fsize=0", find_mosquitto(), "-c", tmp_path / "mosquitto.conf"]
    with subprocess.Popen(command, stderr=subprocess.DEVNULL) as broker:
        east, controller = (
            Client(port, "east", "east-secret"),
            Client(port, "controller", "controller-secret"),
        )
        until(lambda: east.up and controller.up)
        for _ in range(200):
            controller.say(TOPICS.lease("east"))
        until(lambda: east.heard.count(TOPICS.lease("east")) == 200)
        east.close()
        controller.close()
        broker.terminate()
    met(
        reaction="none: every message is carried, for nothing is kept on disk",
        alarm="none: every message is carried, for nothing is kept on disk",
    )
