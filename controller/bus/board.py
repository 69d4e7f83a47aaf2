"""The board's side of the lease contract: what its outputs do, from what it heard and its own timer.

A board that hears nothing heats.  Its heaters hang on resting contacts (NC), so they are on from the moment
the supply is back, before any program runs; the board opens a contact only while an unexpired lease names
that heater in ``off``.  Vents move only while an unexpired lease names them in ``vent``; one that is
interlocked stays at rest also while any heater of the board heats.

When a lease is refused, whatever the reason, nothing changes: the lease before it runs out on time and the
outputs rest.  A lease is refused when it

- was retained by the broker, or cannot be read as one,
- quotes another ``boot``: it was made for this board before it last started,
- comes from a session that another has replaced, or repeats or goes back in its session's sequence,
- answers an echo older than a lease may live, if it says which (``echo_uptime_s``): so a lease that was
  recorded or held up on the way, even one never heard here, dies by the board's own timer.

Of one session after another the board remembers a bounded number; then it takes a new ``boot``, as if it had
restarted, and every lease made before it is void at once.  Going OFF waits until a heater has been on for
``minimum_on_s``; going ON never waits.
"""

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from enum import StrEnum

from controller.bus.messages import LONGEST_LEASE_S, EchoPayload, LeasePayload, read
from controller.bus.transport import Message
from controller.errors import MessageError

# Common practice, no source: a relay or lamp is not switched off within two minutes of being switched on.
MINIMUM_ON_S = 120.0
# A boot during which the controller restarted more often gets a new name instead of a longer memory.
MOST_SESSIONS = 32
# A supply that is slow to settle wants no more; a longer wait would be cold for a board that restarts often.
LONGEST_START_DELAY_S = 60.0
# Leaves room for the number that is added when the memory for sessions is full.
LONGEST_BOOT_NAME = 48


class Refusal(StrEnum):
    """Why a lease changes nothing."""

    RETAINED = "retained"
    GARBLED = "garbled"
    OTHER_BOOT = "other-boot"
    REPLACED_SESSION = "replaced-session"
    OLD_SEQUENCE = "old-sequence"
    OLD_ECHO = "old-echo"


class BoardContract:
    """What the outputs of one board do; the caller brings messages and monotonic time.

    Parameters
    ----------
    board : str
        The board's id.
    heaters, vents : tuple of str
        Its channels by what hangs on them; channels named by a lease and not here are passed over.
    boot : str
        A name that is new at each start, drawn at random by the caller; at most 48 characters.
    started_s : float
        Monotonic time of the start [s].
    minimum_on_s : float
        How long a heater stays on before a lease may rest it [s].
    start_delays_s : mapping of str to float
        For boards that truly hold a heater off before the supply reaches it: by how much its first start is
        put off [s], at most 60.  Leave it out for resting contacts: there the heat is on already, and to
        open and close them again would only double the inrush.
    interlocked : tuple of str
        The vents that rest shut: each stays there while a heater of this board heats.

    """

    def __init__(
        self,
        board: str,
        heaters: Sequence[str],
        vents: Sequence[str],
        boot: str,
        *,
        started_s: float = 0.0,
        minimum_on_s: float = MINIMUM_ON_S,
        start_delays_s: Mapping[str, float] | None = None,
        interlocked: Sequence[str] = (),
    ) -> None:
        if not 1 <= len(boot) <= LONGEST_BOOT_NAME:
            raise ValueError(f"a boot name has 1 to {LONGEST_BOOT_NAME} characters, not {boot!r}")
        delays_s = start_delays_s or {}
        if not all(0 <= delay_s <= LONGEST_START_DELAY_S for delay_s in delays_s.values()):
            raise ValueError(f"start delays are 0 to {LONGEST_START_DELAY_S:g} s, not {dict(delays_s)}")
        self.board = board
        self.heaters = tuple(heaters)
        self.vents = tuple(vents)
        self.session: str | None = None
        self.seq = 0
        self._first_boot = boot
        self._boots = 1
        self._started_s = started_s
        self._minimum_on_s = minimum_on_s
        self._interlocked = frozenset(interlocked)
        self._replaced: set[str] = set()
        self._expires_s = -math.inf
        self._off_from_s: dict[str, float] = {}  # heaters the lease may rest, and from when
        self._moved: frozenset[str] = frozenset()
        self._on_since_s = {name: started_s + delays_s.get(name, 0.0) for name in self.heaters}

    @property
    def boot(self) -> str:
        """The name that a lease must quote."""
        return self._first_boot if self._boots == 1 else f"{self._first_boot}.{self._boots}"

    def hear(self, message: Message, mono_s: float) -> Refusal | None:
        """Obey a lease received at a monotonic time [s] and return None, or return why it changes nothing."""
        if message.retained:
            return Refusal.RETAINED
        try:
            lease = read(LeasePayload, message.payload)
        except MessageError:
            return Refusal.GARBLED
        refusal = self._refusal(lease, mono_s)
        if refusal is None:
            self._obey(lease, mono_s)
        return refusal

    def outputs(self, mono_s: float) -> tuple[str, ...]:
        """Return the channels that are on: heaters that heat, vents away from their rest."""
        heating = tuple([name for name in self.heaters if self._heats(name, mono_s)])
        moved = self._moved if self.is_leased(mono_s) else frozenset[str]()
        if heating:
            moved -= self._interlocked
        return (*heating, *[name for name in self.vents if name in moved])

    def is_leased(self, mono_s: float) -> bool:
        """Tell whether a lease stands at a monotonic time [s]; if not, the controller is silent."""
        return mono_s < self._expires_s

    def echo(
        self,
        mono_s: float,
        at: datetime | None = None,
        reset_reason: str = "",
        on: tuple[str, ...] | None = None,
    ) -> EchoPayload:
        """Return what the board tells about itself.

        ``at`` is left out by a board without a clock, ``on`` by one whose outputs are what the lease says.
        """
        return EchoPayload(
            boot=self.boot,
            session=self.session,
            seq=self.seq,
            at=at,
            on=self.outputs(mono_s) if on is None else on,
            reset_reason=reset_reason,
            uptime_s=mono_s - self._started_s,
        )

    def _refusal(self, lease: LeasePayload, mono_s: float) -> Refusal | None:
        if lease.boot != self.boot:
            return Refusal.OTHER_BOOT
        if lease.session in self._replaced:
            return Refusal.REPLACED_SESSION
        if lease.session == self.session and lease.seq <= self.seq:
            return Refusal.OLD_SEQUENCE
        if lease.echo_uptime_s is not None:
            age_s = mono_s - self._started_s - lease.echo_uptime_s
            if not 0 <= age_s <= LONGEST_LEASE_S:
                return Refusal.OLD_ECHO
        return None

    def _obey(self, lease: LeasePayload, mono_s: float) -> None:
        self._note_session(lease.session)
        self.seq = lease.seq
        off_from_s: dict[str, float] = {}
        for name in self.heaters:
            on_since_s = self._switched_on_s(name, mono_s)
            if on_since_s is not None:
                self._on_since_s[name] = on_since_s
            if name in lease.off:
                waits_until_s = -math.inf if on_since_s is None else on_since_s + self._minimum_on_s
                off_from_s[name] = max(mono_s, waits_until_s)
            elif on_since_s is None:
                self._on_since_s[name] = mono_s
        self._off_from_s = off_from_s
        self._moved = frozenset(lease.vent)
        self._expires_s = mono_s + lease.ttl_s

    def _note_session(self, session: str) -> None:
        if self.session not in {None, session}:
            self._replaced.add(str(self.session))
        self.session = session
        if len(self._replaced) >= MOST_SESSIONS:
            self._replaced.clear()
            self._boots += 1

    def _heats(self, name: str, mono_s: float) -> bool:
        resting = self.is_leased(mono_s) and mono_s >= self._off_from_s.get(name, math.inf)
        # only a start is ever put off; a timer that was set back must not make one of it
        put_off = 0.0 < self._on_since_s[name] - mono_s <= LONGEST_START_DELAY_S
        return not resting and not put_off

    def _switched_on_s(self, name: str, mono_s: float) -> float | None:
        """Return since when a heater has been on, from the lease that stood until now; None if it rests."""
        off_from_s = self._off_from_s.get(name, math.inf)
        if off_from_s >= self._expires_s or mono_s < off_from_s:
            return self._on_since_s[name]  # that lease never came to rest it
        return None if self.is_leased(mono_s) else self._expires_s
