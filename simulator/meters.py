"""Meters: what a circuit draws, said every ten seconds."""

from datetime import datetime

from controller.bus.messages import PowerPayload
from controller.bus.topics import Topics
from controller.bus.transport import Connect
from controller.site.model import Site

READING_EVERY_S = 10.0


class SimMeter:
    """One meter, on the bus by a connection of its own."""

    def __init__(self, circuit: str, site: Site, connect: Connect) -> None:
        self.circuit = circuit
        self._topic = Topics(site.name).power(circuit)
        self._said_s = float("-inf")
        self._line = connect(f"meter {circuit}", (), lambda _: None, None, on_up=lambda: None)

    def tick(self, mono_s: float, at: datetime, power_w: float) -> None:
        """Say what the circuit draws [W], if that is due."""
        if mono_s - self._said_s >= READING_EVERY_S:
            self._said_s = mono_s
            self._line.publish(self._topic, PowerPayload(power_w=round(power_w, 1), at=at).to_json())
