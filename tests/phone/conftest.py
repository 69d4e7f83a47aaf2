"""A page without network: a status as the controller makes it, a clock that stands still, requests."""

import asyncio
import gc
import json
import shutil
import threading
import warnings
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta

import pytest
import uvicorn

from controller.bus.messages import AlarmStatus, AnswerPayload, StatusPayload, read
from controller.bus.outbound import status_of
from controller.bus.topics import Topics
from controller.bus.transport import Message
from controller.guard.confirm import Confirmation
from controller.guard.events import Confirmed, OutlookMade
from controller.phone.access import LIMITS, Access, Limits
from controller.phone.app import application
from controller.phone.screen import Screen
from controller.phone.serve import Place, config
from controller.phone.store import Store
from controller.phone.watch import Watch
from controller.plan.advice import Advice, advise
from controller.plan.outlook import outlook_of
from controller.site.work import Work
from tests.bus.test_tls import authority, certificate
from tests.conftest import DUSK, Drive
from tests.plan.test_outlook import forecast


def pytest_collection_modifyitems(items):
    """Do not take uvicorn's forgotten sockets for a fault of the page (see ``served``)."""
    for item in items:
        if "phone" in item.path.parts:
            item.add_marker(pytest.mark.filterwarnings("ignore:unclosed :ResourceWarning"))


class StillClock:
    """A clock that a test moves."""

    pace = 1.0
    is_sound = True

    def __init__(self):
        self.s = 0.0

    def utc(self):
        return DUSK + timedelta(seconds=self.s)

    def mono_s(self):
        return self.s


@pytest.fixture
def clock():
    return StillClock()


def status_for(drive: Drive, *, advice: tuple[Advice, ...] = (), **temps_c: float) -> StatusPayload:
    """Return what the controller says after three minutes at these temperatures, boards doing as told."""
    drive.temps_c |= {name.replace("_", "-"): temp_c for name, temp_c in temps_c.items()}
    for _ in range(18):
        drive.step()
        for board in drive.site.boards:
            heats = [
                channel
                for rules in drive.state.rules.boards
                if rules.name == board.name
                for channel, tree in rules.trees.items()
                if tree in drive.state.heat and drive.tree(tree).active
            ]
            drive.echo(board.name, on=tuple(heats))
    fruit_c = dict.fromkeys(drive.state.trees, 2.5)
    return sent(status_of(drive.state, drive.now, fruit_c=fruit_c, advice=advice))


def with_outlook(drive: Drive, lowest_c: float = -6.0, **more) -> None:
    outlook = outlook_of(drive.site, forecast(lowest_c, **more), drive.state.latest_c, drive.now.utc)
    drive.tell(OutlookMade(outlook=outlook))


def advice_for(drive: Drive, lowest_c: float = -6.0) -> tuple[Advice, ...]:
    """Return what is advised before a night of the outlook's kind."""
    return advise(drive.site, forecast(lowest_c), None, drive.state.latest_c, drive.now.utc)


def say_done(drive: Drive, what: str, target: str = "all", *, name: str = "w1", who: str = "Nora") -> None:
    """Let somebody say to the guard that something was done."""
    kind = "all" if target == "all" else "vent" if what == "vents-shut" else "tree"
    word = Confirmation(id=name, who=who, what=Work(what), target_kind=kind, target=target, at=drive.now.utc)
    drive.tell(Confirmed(confirmation=word))


def with_alarms(status: StatusPayload, *more: AlarmStatus) -> StatusPayload:
    """Return a status in which a board has been silent for twelve minutes, and whatever else stands."""
    silent = AlarmStatus(
        key="board-silent.east",
        code="board-silent",
        target="east",
        severity=3,
        what="board silent",
        because="east was last heard 720 s ago",
        cause="it has no power or no network; with power its strings heat by themselves",
        look_at="whether the board has power, then its network",
        sure="certain",
        since=status.at - timedelta(minutes=12),
        stage="unacknowledged",
    )
    return status.model_copy(update={"alarms": (silent, *more)})


def sent(status: StatusPayload) -> StatusPayload:
    """Return a status as it comes out of the bus at the other end."""
    return read(StatusPayload, status.to_json())


@dataclass
class Answer:
    status: int = 0
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""

    @property
    def text(self):
        return self.body.decode()


def request(app, *args, **more):
    """Ask an ASGI application, as ``ask`` does, and return its answer."""
    return asyncio.run(ask(app, *args, **more))


async def ask(app, method="GET", path="/", *, headers=(), body=b"", host="localhost", client="127.0.0.1"):
    """Ask an ASGI application and return its answer; ``body`` may be a list of pieces."""
    named = {"host": host} if host is not None else {}
    named |= {name.lower(): value for name, value in dict(headers).items()}
    pieces = list(body) if isinstance(body, list) else [body]
    answer = Answer()
    path, _, query = path.partition("?")

    async def receive():
        if not pieces:
            await asyncio.sleep(3600)
        piece = pieces.pop(0)
        return {"type": "http.request", "body": piece, "more_body": bool(pieces)}

    async def send(message):
        if message["type"] == "http.response.start":
            answer.status = message["status"]
            for name, value in message["headers"]:
                key = name.decode().lower()
                before = f"{answer.headers[key]}\n" if key in answer.headers else ""
                answer.headers[key] = before + value.decode()
        else:
            answer.body += message.get("body", b"")

    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": method,
        "path": path,
        "raw_path": path.encode(),
        "query_string": query.encode(),
        "root_path": "",
        "scheme": "http",
        "headers": [(name.encode(), value.encode("latin-1")) for name, value in named.items()],
        "client": (client, 50000),
        "server": ("127.0.0.1", 8484),
    }
    await asyncio.wait_for(app(scope, receive, send), 10.0)
    return answer


@dataclass
class Site:
    """A page and what stands behind it: a bus that notes, and where told to, a guard that answers."""

    screen: Screen
    watch: Watch
    topics: Topics
    clock: StillClock
    store: Store
    published: list[tuple[str, dict]] = field(default_factory=list)
    guard_says: AnswerPayload | None = None
    guard: Callable[[str, bytes], None] | None = None
    secure: bool = False
    limits: Limits = LIMITS

    def __post_init__(self):
        self.app = application(self.screen, self.access(), self.publish)

    def access(self):
        """Return what lets people in."""
        return Access(self.store, secure=self.secure, limits=self.limits)

    def named(self, name):
        """Return the page as it answers to another name too."""
        return application(self.screen, self.access(), self.publish, (name,))

    def hear(self, status, *, retained=False):
        self.watch.hear(Message(self.topics.status, status.to_json(), retained=retained))

    def publish(self, topic, payload):
        self.published.append((topic, json.loads(payload)))
        if self.guard is not None:
            self.guard(topic, payload)
        if self.guard_says is not None:
            order = topic.rpartition("/")[2]
            answer = self.guard_says.model_copy(update={"order": order})
            self.watch.hear(Message(self.topics.answer(order), answer.to_json()))


ACCEPTED = AnswerPayload(
    order="", accepted=True, because="everything is heated by hand until 2027-01-15 07:00 UTC"
)


@pytest.fixture
def page(curlew_yard, tmp_path, clock):
    topics = Topics(curlew_yard.name)
    watch = Watch(topics, clock)
    store = Store(tmp_path / "phone.db")
    screen = Screen(curlew_yard, watch, tmp_path / "journal.db", clock)
    yield Site(screen, watch, topics, clock, store)
    store.close()


@pytest.fixture(scope="session")
def yard_certificate(tmp_path_factory):
    """Make an authority and a certificate for loopback; return their files and the key."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    folder = tmp_path_factory.mktemp("tls")
    ours = authority(folder, "ours")
    certificate(folder, "page", "ours", "localhost")
    return ours, folder / "page.crt", folder / "page.key"


@contextmanager
def served(page, chain=None, key=None, *, port=0):
    """Serve a page on loopback, by TLS if it is given a certificate; yield its address."""
    place = Place(host="127.0.0.1", port=port, certificate=chain, key=key)
    server = uvicorn.Server(config(page.app, place))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        while not server.started:
            assert thread.is_alive()
            threading.Event().wait(0.01)
        scheme = "https" if chain else "http"
        yield f"{scheme}://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(10.0)
        ended = not thread.is_alive()
        server = thread = None
        # uvicorn leaves the sockets of clients that vanished to the garbage collector: let it come now, and
        # not in the middle of another test
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResourceWarning)
            gc.collect()
        assert ended


def events(text):
    """Return the events of a stream as (name, data)."""
    found = []
    for block in text.split("\n\n"):
        lines = dict(line.split(": ", 1) for line in block.splitlines() if ": " in line)
        if "event" in lines:
            found.append((lines["event"], json.loads(lines["data"])))
    return found
