"""The relays' coils, through gpiozero: real pins, or its mock pins in tests and dry runs.

A heater hangs on the resting contact, so its coil is energised to switch it *off*; a vent's coil is energised
to move it from its rest.  Every coil is dead before this program does anything else, and again when it ends.
"""

from collections.abc import Collection
from typing import Any

from controller.board.file import BoardFile
from controller.errors import BoardError


def pin_factory(*, mock: bool) -> Any:
    """Return where pins come from: this computer's own, or a mock that switches nothing."""
    try:
        if mock:
            from gpiozero.pins.mock import MockFactory  # noqa: PLC0415 (an extra)

            return MockFactory()
        from gpiozero.pins.lgpio import LGPIOFactory  # noqa: PLC0415 (an extra)

        return LGPIOFactory()
    except ImportError as error:
        raise BoardError(
            f"pins cannot be used here ({error}); install Rimeward with its extra: pip install "
            "'rimeward[board]'"
        ) from error
    except Exception as error:  # (a library of its own for each kind of chip)
        raise BoardError(
            f"this computer's pins cannot be opened ({error}); is this user in the group gpio? With --mock "
            "nothing real is switched"
        ) from error


class Relays:
    """All coils of a board, dead from the moment it is made."""

    def __init__(self, board: BoardFile, factory: Any) -> None:
        from gpiozero import DigitalOutputDevice  # noqa: PLC0415 (an extra)
        from gpiozero.exc import GPIOZeroError  # noqa: PLC0415

        self.heaters = frozenset(board.heaters)
        self._coils: dict[str, Any] = {}
        try:
            for channel in board.channels:
                self._coils[channel.id] = DigitalOutputDevice(
                    channel.pin,
                    active_high=channel.energised_by == "high",
                    initial_value=False,
                    pin_factory=factory,
                )
        except GPIOZeroError as error:
            raise BoardError(f"the pin of channel '{channel.id}' cannot be used: {error}") from error

    def show(self, on: Collection[str]) -> None:
        """Drive the coils so that exactly these channels are on: heaters that heat, vents that moved."""
        for channel, coil in self._coils.items():
            energised = (channel in on) != (channel in self.heaters)
            if bool(coil.value) != energised:
                coil.value = energised

    def on(self) -> tuple[str, ...]:
        """Return the channels that are on, read back from the pins."""
        return tuple(c for c, coil in self._coils.items() if bool(coil.value) != (c in self.heaters))

    def close(self) -> None:
        """Let every coil go dead and give the pins back."""
        for coil in self._coils.values():
            coil.off()
            coil.close()
