"""Heaters come on one after another, so that cold lamps do not all draw their inrush at once."""

import math
from collections.abc import Sequence

# However many wait, none waits longer: a minute without heat costs a tree under fleece 0.2 K at the most.
LONGEST_WAIT_S = 60.0


class Stagger:
    """Turns what shall be on into what is on; going off never waits.

    Parameters
    ----------
    gap_s : float
        Between one heater's coming on and the next one's [s].
    on : sequence of str
        What is on from the start: the contacts were closed before any program ran.
    """

    def __init__(self, gap_s: float, on: Sequence[str]) -> None:
        self._gap_s = gap_s
        self._due_s = dict.fromkeys(on, -math.inf)
        self._last_due_s = -math.inf

    def step(self, wanted: Sequence[str], mono_s: float) -> tuple[str, ...]:
        """Return the heaters that are on now, of those that shall be."""
        self._due_s = {name: due_s for name, due_s in self._due_s.items() if name in wanted}
        for name in wanted:
            if name not in self._due_s:
                due_s = min(max(mono_s, self._last_due_s + self._gap_s), mono_s + LONGEST_WAIT_S)
                self._due_s[name] = self._last_due_s = due_s
        return tuple(name for name in wanted if not mono_s < self._due_s[name])
