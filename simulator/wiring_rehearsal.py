"""A wiring test rehearsed: the real procedure and messages, a simulated installation on virtual time."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from itertools import count
from zoneinfo import ZoneInfo

from controller.bus.memory import MemoryBus, MemoryClient
from controller.bus.plain import PlainBoards
from controller.bus.transport import Listener, Message
from controller.guard.now import Now
from controller.site.model import Site
from controller.wiring.check import Check, Record, Scope
from controller.wiring.session import Person, Session
from controller.wiring.state import State, Stopped
from controller.wiring.step import ANSWER_WITHIN_S, Ask, Stand
from simulator.days import Day, sky_of_days
from simulator.installation import Installation
from simulator.installer import Installer
from simulator.sky import Sky
from simulator.wires import Wiring

# A mild, overcast day in autumn: what an installer waits for.
MILD = Day(day=0, max_c=13.0, min_c=9.0, dew_point_c=8.0, cloud_frac=1.0, wind_m_s=3.0)
BEGINS_AT_H = 9
# The procedure looks this often, and a person takes so long to do and answer something [s].
TICK_S = 2.0
ANSWERS_AFTER_S = 6.0
# Longer stretches are stepped through more coarsely, without a loss: nothing switches in between.
LONG_TICK_S = 10.0
HOURS_TICK_S = 60.0
EVENING_H = 18


class Truthful:
    """A person who does what is asked and tells what is to be seen, after some seconds."""

    def __init__(self, world: Installation) -> None:
        self.world = world
        self.installer = Installer(world)
        self._asked_s = 0.0
        self._zone = ZoneInfo(world.site.place.time_zone)

    def say(self, text: str) -> None:
        """Hear it."""

    def begin(self, check: Check, number: int, of: int) -> None:
        """Hear it."""

    def ask(self, ask: Ask) -> None:  # noqa: ARG002 (the form of a person)
        """Note when it was asked."""
        self._asked_s = self.world.elapsed_s

    def answer(self, ask: Ask) -> tuple[str, ...] | None:
        """Return what is to be seen, once there was time to look."""
        if self.world.elapsed_s - self._asked_s < ANSWERS_AFTER_S:
            return None
        if ask.view == "evening" and self.world.now_utc.astimezone(self._zone).hour < EVENING_H:
            return None
        return self.installer.answer(ask)

    def wants_to_stop(self) -> bool:
        """Never."""
        return False


class _Plain:
    """Our side of the boards that know only texts, on the bus in memory."""

    def __init__(self, world: Installation, bus: MemoryBus, seed: int) -> None:
        self.lines: list[MemoryClient] = []
        self._world, self._bus = world, bus
        self._cut: frozenset[str] = frozenset()
        boots = (f"{seed}-{number}" for number in count(1))
        self._boards = PlainBoards(world.site, self._connect, lambda: next(boots))

    def tick(self) -> None:
        """Say what is due."""
        self._boards.tick(self._world.elapsed_s, self._world.now_utc, self._cut)

    def cut_off(self, board: str) -> None:
        """Break the connections to a board off."""
        self._cut |= {board}

    def rejoin(self, board: str) -> None:
        """Make them anew."""
        self._cut -= {board}

    def _connect(
        self,
        client: str,
        filters: Sequence[str],
        listener: Listener,
        will: Message | None,
        /,
        *,
        on_up: Callable[[], None],
    ) -> MemoryClient:
        """Connect by a broker that may refuse a will."""
        said = will if will is not None and self._world.passes_on(will) else None
        self.lines.append(self._bus.connect(client, filters, listener, said, on_up=on_up))
        return self.lines[-1]


class WiringRehearsal:
    """A wiring test under way against an installation.

    Parameters
    ----------
    site, wiring, scope
        What should be there, how it truly is, and what of it is tested.
    person
        Makes whoever answers, from the installation; left out, somebody truthful.
    record, keep
        What an earlier run has seen; where the record goes at each check.
    day
        When it begins; left out, on a mild morning in autumn.
    """

    def __init__(
        self,
        site: Site,
        wiring: Wiring,
        scope: Scope | None = None,
        *,
        seed: int = 0,
        day: datetime | None = None,
        weather: Day = MILD,
        record: Record | None = None,
        person: Callable[[Installation], Person] = Truthful,
        keep: Callable[[Record], None] = lambda _record: None,
    ) -> None:
        self.site = site
        self.bus = MemoryBus()
        start, sky = autumn_day(site, seed, day, weather)
        self.world = Installation(site, sky, start, self.bus.connect, wiring, seed=seed)
        self._plain = _Plain(self.world, self.bus, seed)
        self.session = Session(
            scope or Scope(site=site),
            f"wiring-{seed}",
            person(self.world),
            self._plain,
            record=record,
            keep=keep,
        )
        self._heard: list[Message] = []
        self.line = self.bus.connect("wiring", self.session.hearing.filters, self._heard.append)

    @property
    def state(self) -> State:
        """What the procedure knows."""
        return self.session.state

    @property
    def now(self) -> Now:
        """The present."""
        return Now(mono_s=self.world.elapsed_s, utc=self.world.now_utc)

    def run(self, longest_s: float = 96 * 3600.0) -> State:
        """Go on until the test is over, or for so long."""
        end_s = self.world.elapsed_s + longest_s
        while not self.state.is_over and self.world.elapsed_s < end_s:
            self.step(self.tick_s)
        return self.state

    def step(self, dt_s: float) -> None:
        """Move the world on, take in what was heard, answer what is asked, look."""
        self.world.step(dt_s)
        self.bus.advance(self.world.elapsed_s)
        self._plain.tick()
        self.bus.deliver()
        heard, self._heard[:] = tuple(self._heard), ()
        for message in heard:
            self.session.take_in(message, self.line, self.now)
        self.session.tick(self.line, self.now)
        self.bus.deliver()

    def cut(self) -> None:
        """Lose the network."""
        for line in (self.line, *self._plain.lines):
            line.cut()

    def restore(self) -> None:
        """Have it back."""
        for line in (self.line, *self._plain.lines):
            line.restore()

    def kill(self) -> None:
        """End as a killed process does."""
        for line in (self.line, *self._plain.lines):
            line.kill()

    def stop(self, because: str = "stopped by a person") -> None:
        """Press the stop key."""
        self.session.tell(Stopped(because=because), self.line, self.now)
        self.bus.deliver()

    @property
    def tick_s(self) -> float:
        """How far the world may move on before the procedure has to look again."""
        return tick_s(self.state, self.world.elapsed_s - self.state.began_s)


def autumn_day(
    site: Site, seed: int, day: datetime | None = None, weather: Day = MILD
) -> tuple[datetime, Sky]:
    """Return when a test begins, left out on a morning in the site's autumn, and the sky of some days."""
    month = 10 if site.place.latitude_deg > 0 else 4
    day = day or datetime(2026, month, 20, BEGINS_AT_H, tzinfo=ZoneInfo(site.place.time_zone))
    start = day.astimezone(UTC)
    begins, ends = start - timedelta(days=8), start + timedelta(days=4)
    return start, sky_of_days([weather], site.place, start, begins, ends, seed)


def tick_s(state: State, after_s: float) -> float:
    """Return how far a world may move on before the procedure has to look again [s]."""
    step = state.step
    if isinstance(step, Ask):
        return HOURS_TICK_S if step.waits_s > ANSWER_WITHIN_S and after_s > 60.0 else TICK_S
    if isinstance(step, Stand) and step.most_s > 3600.0 and after_s > 300.0:
        return HOURS_TICK_S
    return LONG_TICK_S if isinstance(step, Stand) and step.most_s > 200.0 and after_s > 30.0 else TICK_S
