"""What a board's outputs do: its lease, its own thermostats when there is none, the locks and the stagger."""

import math

from controller.board.file import BoardFile
from controller.board.thermostat import LONGEST_GAP_S, LocalThermostat
from controller.bus.board import BoardContract
from controller.bus.stagger import Stagger


class Outputs:
    """The pure side of the board process; the caller brings leases, readings and monotonic time.

    Attributes
    ----------
    contract : BoardContract
        The lease as obeyed.
    on : tuple of str
        Heaters that heat and vents away from their rest, as of the last step.
    """

    def __init__(self, board: BoardFile, boot: str, started_s: float) -> None:
        self.contract = BoardContract(
            board.name,
            board.heaters,
            board.vents,
            boot,
            started_s=started_s,
            interlocked=board.interlocked,
        )
        self.on = board.heaters
        self._heaters = frozenset(board.heaters)
        self._stagger = Stagger(board.stagger_s, board.heaters)
        self._thermostats = {
            channel.id: (channel.probe, LocalThermostat(channel.rest_above_c))
            for channel in board.channels
            if channel.probe is not None
        }
        self._vent_lock_below_c = board.vent_lock_below_c
        self._interlocked = frozenset(board.interlocked)
        self._readings: dict[str, tuple[float, float]] = {}

    def hear_probe(self, probe: str, temp_c: float, mono_s: float) -> None:
        """Take in a reading of one of the board's own probes; NaN if it gave none."""
        self._readings[probe] = (temp_c, mono_s)
        for name, thermostat in self._thermostats.values():
            if name == probe:
                thermostat.hear(temp_c, mono_s)

    def step(self, mono_s: float) -> tuple[str, ...]:
        """Return what is on now, in place of what was."""
        wanted = self.contract.outputs(mono_s)
        if not self.contract.is_leased(mono_s):
            wanted = tuple(name for name in wanted if not self._may_rest(name, mono_s))
        heating = self._stagger.step([name for name in wanted if name in self._heaters], mono_s)
        locked = self._interlocked if self._is_cold(mono_s) else frozenset[str]()
        vents = [name for name in wanted if name not in self._heaters and name not in locked]
        self.on = (*heating, *vents)
        return self.on

    def _may_rest(self, name: str, mono_s: float) -> bool:
        _, thermostat = self._thermostats.get(name, (None, None))
        return thermostat is not None and thermostat.may_rest(mono_s)

    def _is_cold(self, mono_s: float) -> bool:
        """Tell whether any probe of the board has lately read below the limit for vents."""
        return any(
            not math.isnan(temp_c) and temp_c < self._vent_lock_below_c and mono_s - heard_s <= LONGEST_GAP_S
            for temp_c, heard_s in self._readings.values()
        )
