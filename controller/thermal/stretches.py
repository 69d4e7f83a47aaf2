"""A record cut into stretches in which nothing is read and nothing switches: one long step for many short.

A fit reads hourly what is written every five minutes.  Between two readings the state only runs on, so each
stretch of L steps of one mode is one step with the L-th power of its matrix and one sum of what drives it:
exactly the same, with a twelfth of the steps.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from controller.physics import FloatArray

# Longer stretches save nothing more and need more powers.
LONGEST = 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretches:
    """S stretches of T steps in K kinds, each of one mode and one length."""

    begin: NDArray[np.intp]  # (S,) the step at which each begins
    kind: NDArray[np.intp]  # (S,)
    mode_of_kind: NDArray[np.intp]  # (K,)
    length_of_kind: NDArray[np.intp]  # (K,)
    # By kind: its stretches, and what drives them: (stretches, length x m), the last step first.
    members: tuple[NDArray[np.intp], ...]
    driven: tuple[FloatArray, ...]

    def powers(self, Phi: FloatArray) -> FloatArray:
        """Return the step over a stretch of each kind, (P, K, n, n), from those of modes (P, R, n, n)."""
        whole = np.empty((Phi.shape[0], len(self.mode_of_kind), *Phi.shape[-2:]))
        power = Phi
        for length in range(1, int(self.length_of_kind.max(initial=0)) + 1):
            there = np.flatnonzero(self.length_of_kind == length)
            whole[:, there] = power[:, self.mode_of_kind[there]]
            power = power @ Phi
        return whole

    def forcing(self, Phi: FloatArray, Gamma: FloatArray) -> FloatArray:
        """Return what drives each stretch adds by its end, (P, S, n); Gamma (P, R, n, m)."""
        total = np.empty((Phi.shape[0], len(self.begin), Phi.shape[-1]))
        longest = int(self.length_of_kind.max(initial=0))
        weights = [np.swapaxes(Gamma, -1, -2)]
        for _ in range(1, longest):
            weights.append(weights[-1] @ np.swapaxes(Phi, -1, -2))
        stacked = np.concatenate(weights, axis=-2)  # (P, R, longest x m, n)
        for kind, (members, driven) in enumerate(zip(self.members, self.driven, strict=True)):
            total[:, members] = driven @ stacked[:, self.mode_of_kind[kind], : driven.shape[1]]
        return total


def stretches_of(mode: NDArray[np.intp], is_read: NDArray[np.bool_], u: FloatArray) -> Stretches:
    """Return the stretches of a record: a new one at each reading and each change of mode.

    Parameters
    ----------
    mode, is_read
        Each step's mode, and whether anything is read at its beginning, (T,).
    u
        What drives each step, (T, m).
    """
    steps = len(mode)
    new = is_read.copy()
    new[0] = True
    new[1:] |= mode[1:] != mode[:-1]
    since = np.arange(steps) - np.maximum.accumulate(np.where(new, np.arange(steps), 0))
    new |= since % LONGEST == 0
    begin = np.flatnonzero(new)
    length = np.diff(np.append(begin, steps))
    kinds, kind = np.unique(np.column_stack([mode[begin], length]), axis=0, return_inverse=True)
    kind = kind.reshape(-1)
    members = tuple(np.flatnonzero(kind == number) for number in range(len(kinds)))
    driven = tuple(
        u[begin[there][:, np.newaxis] + np.arange(long)[::-1]].reshape(len(there), -1)
        for there, long in zip(members, kinds[:, 1], strict=True)
    )
    return Stretches(
        begin=begin,
        kind=kind,
        mode_of_kind=kinds[:, 0],
        length_of_kind=kinds[:, 1],
        members=members,
        driven=driven,
    )
