"""The topics of the bus contract, version 1, each written once.

The controller subscribes to ``heard_by_controller`` and boards to their own lease topic.
"""

from dataclasses import dataclass

CONTRACT_VERSION = 1


@dataclass(frozen=True, slots=True)
class Topics:
    """Topics of one site."""

    site: str

    @property
    def root(self) -> str:
        """The common beginning of all topics, without a slash at the end."""
        return f"rimeward/{CONTRACT_VERSION}/{self.site}"

    def probe(self, probe: str) -> str:
        """Return where a probe's readings arrive."""
        return f"{self.root}/probe/{probe}"

    def power(self, circuit: str) -> str:
        """Return where a circuit's power readings arrive."""
        return f"{self.root}/power/{circuit}"

    def lease(self, board: str) -> str:
        """Return where the controller lets a board leave its resting state."""
        return f"{self.root}/lease/{board}"

    def echo(self, board: str) -> str:
        """Return where a board tells what its outputs do."""
        return f"{self.root}/echo/{board}"

    def alive(self, client: str) -> str:
        """Return where a client's birth and will arrive."""
        return f"{self.root}/alive/{client}"

    def ping(self, client: str) -> str:
        """Return where a client hears itself, to know that the broker still carries messages."""
        return f"{self.root}/ping/{client}"

    def decision(self, name: str) -> str:
        """Return where decision records of an output are published."""
        return f"{self.root}/decision/{name}"

    @property
    def status(self) -> str:
        """Where the controller's whole picture is published, retained."""
        return f"{self.root}/status"

    def hand(self, order: str) -> str:
        """Return where a person's order arrives."""
        return f"{self.root}/hand/{order}"

    def answer(self, order: str) -> str:
        """Return where the answer to a person's order is published."""
        return f"{self.root}/answer/{order}"

    @property
    def heard_by_controller(self) -> tuple[str, ...]:
        """The filters the controller subscribes to, besides probes' own topics."""
        return tuple(f"{self.root}/{branch}/+" for branch in ("probe", "power", "echo", "alive", "hand"))
