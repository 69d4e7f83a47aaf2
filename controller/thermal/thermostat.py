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
        n = len(Phi)
        # of a state and of strings beside one another, (n+N,)
        self.moved = np.zeros((_AT_ONCE + 1, n, n + lift.shape[1]))
        self.moved[0, :, :n] = np.eye(n)
        for k in range(_AT_ONCE):
            self.moved[k + 1] = Phi @ self.moved[k]
            self.moved[k + 1, :, n:] += lift
        self.trees = np.concatenate(self.moved[:-1, tree])  # (_AT_ONCE N, n+N)
        self._doubled = [Phi]

    def rested(self, state: FloatArray, steps: int) -> FloatArray:
        """Return a state after any number of steps with all strings off."""
        bit = 0
        while steps >> bit:
            if bit == len(self._doubled):
                self._doubled.append(self._doubled[-1] @ self._doubled[-1])
            if steps >> bit & 1:
                state = self._doubled[bit] @ state
            bit += 1
        return state


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
    colds = np.append(cold, inputs.steps)
    next_cold = np.repeat(colds, np.diff(colds, prepend=-1))
    powers: dict[int, _Powers] = {}
    n, free_c_flat = len(start_state), free_c.ravel()
    # What strings have added to the state, and which are on.
    added = np.zeros(n + count)
    heats, limit_c, some_on = np.zeros(count, dtype=np.bool_), on_c, False
    on = np.zeros((inputs.steps, count), dtype=np.bool_)
    at, steps = 0, inputs.steps
    while at < steps:
        which = int(mode[at])
        power = powers.get(which)
        if power is None:
            lift = step.Gamma[which][:, FIRST_STRING:] * parameters.string_w
            power = powers[which] = _Powers(step.Phi[which], lift, tree)
        end = int(run_ends[at])
        if not some_on and next_cold[at] > at:  # no string can come on before that
            span = min(int(next_cold[at]), end) - at
            added[:n] = power.rested(added[:n], span)
            at += span
            continue
        span = min(_AT_ONCE, end - at)
        seen = span * count
        tree_c = free_c_flat[at * count : at * count + seen] + power.trees[:seen] @ added
        switches = (tree_c.reshape(span, count) > limit_c) == heats
        first = int(switches.argmax())
        switched = bool(switches.flat[first])
        if switched:
            span = first // count
        if some_on:
            on[at : at + span] = heats
        added[:n] = power.moved[span] @ added
        at += span
        if switched:
            heats = heats ^ switches[span]
            added[n:] = heats
            some_on = bool(np.count_nonzero(heats))
            limit_c = np.where(heats, off_c, on_c) if some_on else on_c
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
