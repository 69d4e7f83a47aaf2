"""The procedure: the pure loop of the wiring test.

    handle(state, event, now) -> (state, actions)

The record of what was seen is all that counts: the check under way is the first one whose steps are not all
made, its step the first not made.  A test that was broken off goes on from its record; a check that was in
the middle begins anew, so that whoever stands there confirms again what is switched.

Outputs leave their rest only by leases as the controller gives them, but short ones.  Whatever ends the test
(the last check, a person's stop, a lost connection, an answer that does not come, cold air, another
controller) gives each board a lease that permits nothing, and no more after it; where that cannot be
delivered, the last lease runs out within ``LEASE_S``.
"""

import math
from dataclasses import replace
from typing import assert_never

from controller.guard.now import Now
from controller.wiring.check import Check, Outcome, Record, Scope, Stage
from controller.wiring.leases import forge, renew, rest
from controller.wiring.stages import checks_of
from controller.wiring.stages.boards import ID as LISTEN_ID
from controller.wiring.stages.cautions import ID as CAUTIONS_ID
from controller.wiring.stages.channels import DARK_ID
from controller.wiring.stages.guards import BACK_ID
from controller.wiring.state import (
    Action,
    Answered,
    Begin,
    CutOff,
    Event,
    Finish,
    Phase,
    Question,
    Rejoin,
    Say,
    State,
    Stopped,
    Ticked,
)
from controller.wiring.step import ANSWER_WITHIN_S, NO, Ask, Notes, Seen, Stand, Step, Until
from controller.wiring.watch import (
    EchoCame,
    GarbledCame,
    PowerCame,
    ReadingCame,
    TextCame,
    TextEchoCame,
    WillCame,
    gathered,
    standing,
    with_echo,
    with_reading,
    with_will,
)

# Nothing is switched unless the coldest witness is so far above what every tree is held at [K].
MILD_K = 3.0
# A tree warmer than this is given no more heat, whatever the step says [°C]; below the guard's own cut of 35.
HOT_C = 30.0
# What was said of outside and house longer ago tells nothing of now [s]: long enough for probes unplugged.
FRESH_S = 1200.0
# A test that goes on listens so long before it does [s]: two echoes.
LISTENS_AGAIN_S = 65.0
# Between the check of darkness and the last of the guards' every frost-stat is turned up.
STATS_ARE_UP = {Stage.CHANNELS, Stage.REST, Stage.CIRCUITS, Stage.STRINGS, Stage.GUARDS}
# A meter's word this long after a switching tells of it [s].
METER_LAGS_S = 3.0
# No air under fleece is as warm as this; such a reading is a broken probe's [°C].
HOTTEST_C = 70.0


def begin(scope: Scope, session: str, record: Record | None = None) -> State:
    """Return the state at the start, with what an earlier run has made; ``session`` names this run.

    What that run declined is offered again.  Somebody else may stand there and frost-stats may have been
    turned back meanwhile: so the cautions, and where strings are to be lit the check of darkness before and
    the turning back after, are made anew.
    """
    state = State(scope=scope, session=session, record=dict(record or {}))
    scope, kept = scope_of(state), state.record
    left = [check for check in checks_of(scope) if _is_left(check, kept, scope)]
    again = {check.id for check in left}
    if left:
        again |= {CAUTIONS_ID}
    if any(check.stage in STATS_ARE_UP for check in left):
        again |= {DARK_ID, BACK_ID}
    return replace(state, record={name: notes for name, notes in kept.items() if name not in again})


def _is_left(check: Check, record: Record, scope: Scope) -> bool:
    """Tell whether a check is still to be made: unfinished, or declined."""
    if next_step(check, record, scope) is not None:
        return True
    return check.result(record.get(check.id, Notes()), record, scope).outcome is Outcome.NOT_DONE


def scope_of(state: State) -> Scope:
    """Return the scope with what listening has found: which circuits have a meter."""
    heard = state.record.get(LISTEN_ID, Notes())
    meters = frozenset(heard["heard"].power_w) if "heard" in heard else frozenset[str]()
    return replace(state.scope, meters=meters)


def next_step(check: Check, record: Record, scope: Scope) -> Step | None:
    """Return the first step of a check that was not made; None when it is finished or was declined."""
    notes = record.get(check.id, Notes())
    if notes.said("ready", NO):
        return None
    for step in check.steps(notes, record, scope):
        if step.key not in notes and (scope.attended or isinstance(step, Stand)):
            return step
    return None


# ---- the loop -----------------------------------------------------------------------------------------


def handle(state: State, event: Event, now: Now) -> tuple[State, tuple[Action, ...]]:
    """Return the state after an event and what shall be done about it."""
    match event:
        case EchoCame():
            return _hear_echo(state, event, now), ()
        case WillCame():
            seen = with_will(state.seen, event.board, now.mono_s - state.began_s)
            heard = {name: s for name, s in state.heard_s.items() if name != event.board}
            return replace(state, seen=seen, heard_s=heard), ()
        case ReadingCame():
            return _hear_reading(state, event, now)
        case PowerCame() | GarbledCame() | TextCame() | TextEchoCame():
            return replace(state, seen=gathered(state.seen, event, now.mono_s - state.began_s)), ()
        case Answered():
            return _take_answer(state, event, now)
        case Stopped():
            return _end(state, now, complete=False, because=event.because)
        case Ticked():
            return _tick(state, now)
        case _:
            assert_never(event)


def _hear_echo(state: State, echo: EchoCame, now: Now) -> State:
    before = state.echoes.get(echo.board)
    obeys = echo.session == state.session and echo.seq >= state.seqs.get(echo.board, 0) > 0
    seen = with_echo(state.seen, echo, before, now.mono_s - state.began_s, now.utc, obeys=obeys)
    state = replace(
        state,
        seen=seen,
        echoes={**state.echoes, echo.board: echo},
        heard_s={**state.heard_s, echo.board: now.mono_s},
    )
    if before is not None and before.boot != echo.boot:  # it holds no lease, so one is due
        return replace(state, given_s={n: s for n, s in state.given_s.items() if n != echo.board})
    return state


def _hear_reading(state: State, event: ReadingCame, now: Now) -> tuple[State, tuple[Action, ...]]:
    sample_s = state.step.sample_s if isinstance(state.step, Stand) else math.inf
    seen = with_reading(state.seen, event.probe, event.temp_c, now.mono_s - state.began_s, sample_s)
    latest_c = {**state.latest_c, event.probe: event.temp_c}
    latest_s = {**state.latest_s, event.probe: now.mono_s}
    state = replace(state, seen=seen, latest_c=latest_c, latest_s=latest_s)
    hot = frozenset(
        t.name
        for t in state.scope.site.trees
        if any(HOT_C <= latest_c.get(p, -math.inf) <= HOTTEST_C for p in t.probes)
    )
    return replace(state, hot=hot), ()


def _take_answer(state: State, event: Answered, now: Now) -> tuple[State, tuple[Action, ...]]:
    ask = state.step
    if state.is_over or not isinstance(ask, Ask):
        return state, ()
    known = [word for word in event.answer if word in ask.choices]
    if len(known) != len(event.answer) or not known or (len(known) > 1 and not ask.several):
        return state, (Say(text=f"Please answer with {_choices(ask)}."), Question(ask=ask))
    if ask.confirms_switching and known != [NO]:
        cold = too_cold(state, now)
        if cold:
            return _end(state, now, complete=False, because=cold)
    seen = replace(state.seen, answer=tuple(known), text=event.text[:200])
    return _finish_step(replace(state, seen=seen), now)


def _choices(ask: Ask) -> str:
    return " or ".join(ask.choices) if not ask.several else f"one or more of {', '.join(ask.choices)}"


def too_cold(state: State, now: Now) -> str:
    """Return why nothing may be switched now; empty where the air is mild."""
    site = state.scope.site
    limit_c = max(tree.hold_or_default_c for tree in site.trees) + MILD_K
    for measures in ("outside", "house"):
        temps = [
            (state.latest_c[p.name] + p.offset_k, p.name)
            for p in site.probes
            if p.measures == measures and now.mono_s - state.latest_s.get(p.name, -math.inf) <= FRESH_S
        ]
        if temps:
            temp_c, name = min(temps)
            # written so that not a number is no evidence of mild air
            if temp_c >= limit_c:
                return ""
            return (
                f"{name} says {temp_c:.1f} °C and strings may be needed: nothing is switched "
                f"below {limit_c:.1f} °C"
            )
    return (
        f"neither outside nor house air was heard for {FRESH_S / 60:.0f} min, so nothing tells that it is "
        "mild: nothing is switched"
    )


def _tick(state: State, now: Now) -> tuple[State, tuple[Action, ...]]:
    if state.is_over:
        return state, ()
    if state.step is None:
        return _listen_first(state, now)
    if state.on is not None and (cold := too_cold(state, now)):
        return _end(state, now, complete=False, because=cold)
    if isinstance(state.step, Ask):
        # only while everything is at rest may somebody take longer
        waits_s = state.step.waits_s if state.on is None else ANSWER_WITHIN_S
        if now.mono_s - state.began_s > waits_s:
            return _end(state, now, complete=False, because=f"no answer came for {waits_s / 60:.0f} min")
        return renew(state, now)
    if _is_finished(state, state.step, now):
        return _finish_step(state, now)
    return renew(state, now)


def _listen_first(state: State, now: Now) -> tuple[State, tuple[Action, ...]]:
    """Begin; a test that goes on from its record first hears how boards stand now."""
    if LISTEN_ID in state.record:
        if state.began_s == -math.inf:
            return replace(state, began_s=now.mono_s), (Say(text="listening before the test goes on"),)
        if now.mono_s - state.began_s < LISTENS_AGAIN_S:
            return state, ()
    return _advance(state, now)


def _is_finished(state: State, stand: Stand, now: Now) -> bool:
    after_s, seen = now.mono_s - state.began_s, state.seen
    if after_s >= stand.most_s:
        return True
    if after_s < stand.least_s or not _meters_told(state, stand):
        return False
    match stand.until:
        case Until.TIME:
            return False
        case Until.ECHO:
            return _echoes_agree(state, stand)
        case Until.WARMER:
            return any(seen.rise_k(p.name) >= stand.rise_k for p in state.scope.site.probes)
        case Until.RESTARTED:
            board = seen.boards.get(stand.board)
            return board is not None and board.restarted_s is not None
        case _:
            assert_never(stand.until)


def _meters_told(state: State, stand: Stand) -> bool:
    """Tell whether every meter has spoken since the outputs last moved."""
    if stand.on is None:
        return True
    moved_s = max((s for board in state.seen.boards.values() for s in board.turned_s.values()), default=0.0)
    return all(state.seen.power_s.get(c, -1.0) >= moved_s + METER_LAGS_S for c in scope_of(state).meters)


def _echoes_agree(state: State, stand: Stand) -> bool:
    for load in state.scope.loads:
        echo = state.echoes.get(load.board)
        if echo is None or load.board not in state.heard_s:
            continue
        wanted = load.channel in (_wanted(state, stand) if load.is_string else stand.moved)
        if (load.channel.partition("/")[2] in echo.on) != wanted:
            return False
    return True


def _wanted(state: State, stand: Stand) -> frozenset[str]:
    if stand.on is None:
        return frozenset(load.channel for load in state.scope.strings)
    return stand.on


def _finish_step(state: State, now: Now) -> tuple[State, tuple[Action, ...]]:
    if state.step is None:
        return state, ()
    lasted_s = now.mono_s - state.began_s
    seen = replace(state.seen, lasted_s=lasted_s, utc_s=round(now.utc.timestamp() - lasted_s, 1))
    notes = state.record.get(state.check, Notes()).with_(state.step.key, seen)
    return _advance(replace(state, record={**state.record, state.check: notes}, step=None), now)


def _advance(state: State, now: Now) -> tuple[State, tuple[Action, ...]]:
    """Go on to the first step that was not made."""
    scope = scope_of(state)
    checks = checks_of(scope)
    for number, check in enumerate(checks, start=1):
        step = next_step(check, state.record, scope)
        if step is not None:
            return _enter(state, check, step, number, len(checks), now)
    return _end(state, now, complete=True, because="every check has been made")


def _enter(
    state: State, check: Check, step: Step, number: int, of: int, now: Now
) -> tuple[State, tuple[Action, ...]]:
    actions: list[Action] = []
    if check.id != state.check:
        actions.append(Begin(check=check, number=number, of=of))
    # what boards echoed before still tells how they stand
    boards = {name: standing(echo) for name, echo in state.echoes.items() if name in state.heard_s}
    state = replace(state, check=check.id, step=step, began_s=now.mono_s, seen=Seen(boards=boards))
    if isinstance(step, Ask):
        return state, (*actions, Question(ask=step))
    if step.on is not None and (cold := too_cold(state, now)):
        state, ended = _end(state, now, complete=False, because=cold)
        return state, (*actions, *ended)
    actions.append(Say(text=step.says))
    state, lines = _cut_off(state, step.cut)
    actions += lines
    if step.on is None and not step.pulled:
        state, leases = rest(state, now)
    elif step.forged:
        state, leases = forge(replace(state, on=step.on, moved=step.moved), step.forged)
    else:
        state, leases = renew(replace(state, on=step.on, moved=step.moved), now)
    return state, (*actions, *leases)


def _cut_off(state: State, board: str) -> tuple[State, tuple[CutOff | Rejoin, ...]]:
    """Let our connections to one plain board, or to none, be broken."""
    if state.cut == board:
        return state, ()
    back = (Rejoin(board=state.cut),) if state.cut else ()
    off = (CutOff(board=board),) if board else ()
    return replace(state, cut=board), (*back, *off)


def _end(state: State, now: Now, *, complete: bool, because: str) -> tuple[State, tuple[Action, ...]]:
    if state.is_over:
        return state, ()
    state, leases = rest(state, now)
    state, lines = _cut_off(state, "")
    state = replace(state, phase=Phase.OVER, step=None)
    return state, (*leases, *lines, Finish(complete=complete, because=because))
