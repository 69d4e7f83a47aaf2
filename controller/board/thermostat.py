"""A heater's own thermostat for the hours in which the controller is silent.

A silent controller means heat: that is the contract.  A board that has the heater's own probe can do better
than burn all night at +8 °C, but it has no sibling, no model and no forecast to doubt its probe with.  So a
heater may rest only while the probe has for five minutes without a gap said more than ``rest_above_c``
(4 °C by default, well above what any tree is held at), is fresh, and has moved within the last hour.
Everything else, or no probe at all, means heat.
"""

import math

# How long the probe must have been warm, in one go, before the heater may rest [s].
WARM_FOR_S = 300.0
# Two readings further apart than this are a gap [s]; readings come every 20 s.
LONGEST_GAP_S = 90.0
# A sound probe moves by a sixteenth of a degree within this time; one that does not is thought stuck [s].
LONGEST_STILL_S = 3600.0
# By so much the probe must be above ``rest_above_c`` before the heater may rest again [K].
HYSTERESIS_K = 0.5


class LocalThermostat:
    """Tells whether one heater may rest without a lease."""

    def __init__(self, rest_above_c: float) -> None:
        self.rest_above_c = rest_above_c
        self._warm_since_s: float | None = None
        self._heard_s = -math.inf
        self._last_c = math.nan
        self._moved_s = -math.inf

    def hear(self, temp_c: float, mono_s: float) -> None:
        """Take in a reading [°C], NaN if the probe gave none, at a monotonic time [s]."""
        limit_c = self.rest_above_c + (HYSTERESIS_K if self._warm_since_s is None else 0.0)
        if not mono_s - self._heard_s <= LONGEST_GAP_S:
            self._warm_since_s, self._moved_s = None, mono_s
        if temp_c != self._last_c:
            self._moved_s = mono_s
        if not temp_c > limit_c:
            self._warm_since_s = None
        elif self._warm_since_s is None:
            self._warm_since_s = mono_s
        self._heard_s, self._last_c = mono_s, temp_c

    def may_rest(self, mono_s: float) -> bool:
        """Tell whether there is evidence that no heat is needed now."""
        return (
            self._warm_since_s is not None
            and mono_s - self._warm_since_s >= WARM_FOR_S
            and mono_s - self._heard_s <= LONGEST_GAP_S
            and mono_s - self._moved_s <= LONGEST_STILL_S
        )
