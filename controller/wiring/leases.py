"""The leases of a wiring test: short, to boards heard lately, as the step under way wants them."""

import math
from dataclasses import replace

from controller.guard.events import GiveLease
from controller.guard.lease import Lease
from controller.guard.now import Now
from controller.wiring.stages.rest import LEASE_S, RENEW_S
from controller.wiring.state import State
from controller.wiring.watch import EchoCame

# A board not heard for this long is given no lease [s].
HEARD_WITHIN_S = 120.0


def renew(state: State, now: Now) -> tuple[State, tuple[GiveLease, ...]]:
    """Give each board heard lately the lease that the step asks for, if one is due."""
    on = state.on
    if on is None:
        return state, ()
    cut = {load.channel for load in state.scope.strings if load.tree in state.hot}
    leases = []
    for board, echo in state.echoes.items():
        if now.mono_s - state.heard_s.get(board, -math.inf) > HEARD_WITHIN_S:
            continue
        loads = [load for load in state.scope.loads if load.board == board]
        off = tuple(
            _id(c.channel) for c in loads if c.is_string and (c.channel not in on or c.channel in cut)
        )
        vent = tuple(_id(c.channel) for c in loads if not c.is_string and c.channel in state.moved)
        is_due = now.mono_s - state.given_s.get(board, -math.inf) >= RENEW_S
        if is_due or state.given.get(board) != (off, vent):
            state, lease = _give(state, echo, off, vent, now)
            leases.append(lease)
    return state, tuple(leases)


def _give(
    state: State, echo: EchoCame, off: tuple[str, ...], vent: tuple[str, ...], now: Now
) -> tuple[State, GiveLease]:
    board = echo.board
    seq = state.seqs.get(board, 0) + 1
    lease = Lease(
        board=board, boot=echo.boot, seq=seq, ttl_s=LEASE_S, off=off, vent=vent, echo_uptime_s=echo.uptime_s
    )
    state = replace(
        state,
        seqs={**state.seqs, board: seq},
        given_s={**state.given_s, board: now.mono_s},
        given={**state.given, board: (off, vent)},
    )
    return state, GiveLease(lease=lease, session=state.session)


def rest(state: State, now: Now) -> tuple[State, tuple[GiveLease, ...]]:
    """Permit nothing any more, at once wherever it can be delivered."""
    leases = []
    for board, (off, vent) in state.given.items():
        if off or vent:
            state, lease = _give(state, state.echoes[board], (), (), now)
            leases.append(lease)
    return replace(state, on=None, moved=frozenset()), tuple(leases)


def forge(state: State, what: str) -> tuple[State, tuple[GiveLease, ...]]:
    """Give leases that must be refused; one that is obeyed can only heat."""
    leases = []
    for board, echo in state.echoes.items():
        seq = state.seqs.get(board, 0) + 1 if what == "boot" else 1
        boot = f"{echo.boot[:50]}-before" if what == "boot" else echo.boot
        lease = Lease(
            board=board, boot=boot, seq=seq, ttl_s=LEASE_S, off=(), vent=(), echo_uptime_s=echo.uptime_s
        )
        # its number is used up, for a board that obeys it would refuse the next of that number
        state = replace(state, seqs={**state.seqs, board: max(seq, state.seqs.get(board, 0))})
        leases.append(GiveLease(lease=lease, session=state.session))
    return state, tuple(leases)


def _id(channel: str) -> str:
    return channel.partition("/")[2]
