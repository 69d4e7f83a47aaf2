"""The topics of the bus contract, version 1, each written once.

The controller subscribes to ``heard_by_controller`` and boards to their own lease topic.
"""

from dataclasses import dataclass

CONTRACT_VERSION = 1
# MQTT 5.0 section 4.7.3: a topic is at most as long as its two-byte length can say.
LONGEST_TOPIC_BYTES = 65_535


def check_topic(topic: str) -> None:
    """Raise ``ValueError`` for a topic nothing may be published to (MQTT 5.0 sections 4.7.1 and 4.7.3)."""
    _check_text(topic)
    if "+" in topic or "#" in topic:
        raise ValueError(f"topic '{topic}' holds a wildcard, which belongs in filters only")


def check_filter(topic_filter: str) -> None:
    """Raise ``ValueError`` for a topic filter no broker takes (MQTT 5.0 sections 4.7.1 and 4.7.3)."""
    _check_text(topic_filter)
    levels = topic_filter.split("/")
    if any(("#" in level or "+" in level) and len(level) > 1 for level in levels) or "#" in levels[:-1]:
        raise ValueError(
            f"topic filter '{topic_filter}': '+' must be a whole level, '#' the whole last level"
        )


def _check_text(text: str) -> None:
    if not text or "\0" in text or len(text.encode()) > LONGEST_TOPIC_BYTES:
        raise ValueError(f"a topic has 1 to {LONGEST_TOPIC_BYTES} bytes and no NUL, not {text[:80]!r}")


def matches(topic_filter: str, topic: str) -> bool:
    """Return whether a filter selects a topic (MQTT 5.0 sections 4.7.1 and 4.7.2), both being valid."""
    wanted, levels = topic_filter.split("/"), topic.split("/")
    if topic.startswith("$") and wanted[0] in {"+", "#"}:
        return False
    for place, level in enumerate(wanted):
        if level == "#":
            return True  # '#' stands for its parent level too, so it may come one level after the end
        if place == len(levels) or level not in {"+", levels[place]}:
            return False
    return len(wanted) == len(levels)


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

    def confirm(self, word: str) -> str:
        """Return where a person's word arrives that something was done."""
        return f"{self.root}/confirm/{word}"

    def answer(self, order: str) -> str:
        """Return where the answer to a person's order or word is published."""
        return f"{self.root}/answer/{order}"

    def acknowledge(self, alarm: str) -> str:
        """Return where a person says to have an alarm, by its key, or "all" of them."""
        return f"{self.root}/acknowledge/{alarm}"

    def test(self, wish: str) -> str:
        """Return where a person asks for a test message on every way."""
        return f"{self.root}/test/{wish}"

    @property
    def alarm(self) -> str:
        """Where each message to people is published too, for a lamp or buzzer on the site."""
        return f"{self.root}/alarm"

    @property
    def heard_by_controller(self) -> tuple[str, ...]:
        """The filters the controller subscribes to, besides probes' own topics.

        It hears leases, its own among them, to tell when somebody else gives any.
        """
        branches = ("probe", "power", "echo", "lease", "alive", "hand", "confirm", "acknowledge", "test")
        return tuple(f"{self.root}/{branch}/+" for branch in branches)
