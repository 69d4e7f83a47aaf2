"""Strings on thermostats, played over whole winters by jumping from one switching to the next.

The model is linear: a house with its strings is the house without them, found in one run, and what the
strings add.  That never cools, so where the free house is warm enough no thermostat can switch on, and the
sum is carried over any number of steps by kept powers of the step.  Between two switchings nothing needs to
be looked at but whether a tree has crossed its limit, many steps at once.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.physics import FloatArray
from controller.thermal.drive import Inputs
from controller.thermal.innovations import recursion
from controller.thermal.model import FIRST_STRING, Step, Stepper, trees
from controller.thermal.parameters import Parameters
from controller.thermal.record import driven

# Steps looked at in one go, at most.
_AT_ONCE = 64
# Steps of the house without heat found in one go: a week by the minute.
_SPAN = 10080


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cycled:
    """What thermostats did over T steps."""

    on: NDArray[np.bool_]  # (T, N)
    free_c: FloatArray  # (T, N) the trees without any heat


class _Powers:
    """What 0, 1 ... steps of one mode make of a state and of strings that stay on."""

    def __init__(self, Phi: FloatArray, lift: FloatArray, tree: slice) -> None:
        self.state, self.lift = np.empty((_AT_ONCE + 1, *Phi.shape)), np.empty((_AT_ONCE + 1, *lift.shape))
        self.state[0], self.lift[0] = np.eye(len(Phi)), 0.0
        for k in range(_AT_ONCE):
            self.state[k + 1] = Phi @ self.state[k]
            self.lift[k + 1] = Phi @ self.lift[k] + lift
        self.tree_state = np.ascontiguousarray(self.state[:, tree])
        self.tree_lift = np.ascontiguousarray(self.lift[:, tree])


def cycled(
    parameters: Parameters, start_state: FloatArray, inputs: Inputs, on_c: FloatArray, off_c: FloatArray
) -> Cycled:
    """Return when strings are on that thermostats hold between two temperatures.

    Parameters
    ----------
    parameters
        The house.
    start_state
        Shape (n,), strings off.
    inputs
        T steps of weather, vents and fleece; string powers are not looked at.
    on_c, off_c
        Each tree's string goes on below the one and off above the other [°C], shapes (N,); at a step's
        beginning, for the whole step.

    Notes
    -----
    The same as stepping through, to rounding: on-times are equal unless a tree meets its limit to 1e-9 K.
    """
    count, tree = parameters.tree_count, trees(parameters.tree_count)
    step, mode = Stepper(parameters, inputs.step_s).modes_of(inputs)
    u = driven(inputs)
    u[:, FIRST_STRING:] = 0.0
    free_c = _free(step, mode, u, start_state, tree)
    # Where each run of one mode ends, and where next a tree would be cold without heat.
    change = np.append(np.flatnonzero(np.diff(mode)) + 1, len(mode))
    run_ends, cold = np.repeat(change, np.diff(change, prepend=0)), np.flatnonzero((free_c < on_c).any(1))
    powers: dict[int, _Powers] = {}
    heats, added = np.zeros(count, dtype=np.bool_), np.zeros(len(start_state))
    on = np.zeros((inputs.steps, count), dtype=np.bool_)
    at, steps = 0, inputs.steps
    while at < steps:
        which = int(mode[at])
        power = powers.get(which)
        if power is None:
            lift = step.Gamma[which][:, FIRST_STRING:] * parameters.string_w
            power = powers[which] = _Powers(step.Phi[which], lift, tree)
        span = min(_AT_ONCE, int(run_ends[at]) - at)
        resting = not heats.any()
        if resting:
            next_cold = int(np.searchsorted(cold, at))
            ahead = int(cold[next_cold]) - at if next_cold < len(cold) else steps
            if ahead > 0:  # no string can come on before that
                span = min(span, ahead)
                added = power.state[span] @ added
                at += span
                continue
        tree_c = free_c[at : at + span] + power.tree_state[:span] @ added
        if not resting:
            tree_c += power.tree_lift[:span] @ heats
        switches = np.asarray(np.where(heats, tree_c > off_c, tree_c < on_c))
        some = np.flatnonzero(switches.any(1))
        if some.size:
            span = int(some[0])
        if span:
            on[at : at + span] = heats
            added = power.state[span] @ added + power.lift[span] @ heats
            at += span
        if some.size:
            heats = heats ^ switches[span]
    return Cycled(on=on, free_c=free_c)


def _free(step: Step, mode: NDArray[np.intp], u: FloatArray, start: FloatArray, tree: slice) -> FloatArray:
    """Return the trees (T, N) without heat."""
    if (mode == mode[0]).all():
        return _blocked(step.Phi[mode[0]], u @ step.Gamma[mode[0]].T, start, tree)
    free_c, x = np.empty((len(u), len(range(len(start))[tree]))), start
    for begin in range(0, len(u), _SPAN):  # all of a winter at once would take hundreds of megabytes
        there = slice(begin, begin + _SPAN)
        forcing = np.einsum("tij,tj->ti", step.Gamma[mode[there]], u[there])
        states = recursion(step.Phi[np.newaxis], mode[there], forcing[np.newaxis], x[np.newaxis])[0]
        free_c[there], x = states[:-1, tree], states[-1]
    return free_c


def _blocked(Phi: FloatArray, forcing: FloatArray, start: FloatArray, seen: slice) -> FloatArray:
    """Return parts (T, seen) of x[k+1] = Phi x[k] + forcing[k]: blocks from rest, then what starts add."""
    steps, n = forcing.shape
    length = max(1, int(np.sqrt(steps)))
    count = -(-steps // length)
    padded = np.zeros((count * length, n))
    padded[:steps] = forcing
    padded = padded.reshape(count, length, n)
    rest = np.zeros((count, n))
    shown = np.empty((length, count, len(range(n)[seen])))
    powers = np.empty((length + 1, n, n))
    powers[0] = np.eye(n)
    for k in range(length):
        shown[k] = rest[:, seen]
        rest = rest @ Phi.T + padded[:, k]
        powers[k + 1] = powers[k] @ Phi.T
    starts, x = np.empty((count, n)), start
    for block in range(count):
        starts[block] = x
        x = x @ powers[length] + rest[block]
    shown = shown + starts @ powers[:length, :, seen]
    return np.swapaxes(shown, 0, 1).reshape(count * length, -1)[:steps]
