"""A board's own small file: what hangs on which pin, which probes it reads, and where the broker is."""

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from controller.errors import BoardError
from controller.site.model import Broker, Id
from controller.site.told import Fault, KeyPath, Settings, Written, text_of


class BoardProbe(Settings):
    """One 1-wire temperature probe."""

    name: Id
    """The probe's id, as in the site file."""
    device: Annotated[str, Field(pattern=r"^[0-9a-f]{2}-[0-9a-f]{12}$")]
    """Its folder's name below ``one_wire``: family and serial number, such as '28-0316a2795e1c'."""


class BoardChannel(Settings):
    """One relay."""

    id: Id
    """The channel's id, as in the site file."""
    pin: int = Field(ge=0, le=53)
    """The processor's own number of the pin that drives the relay's coil (GPIO number, not the header's)."""
    load: Literal["heater", "vent"]
    """What hangs on it."""
    contact: Literal["resting", "working"]
    """Resting: closed while the coil is dead (NC), as a heater needs. Working: open while dead (NO)."""
    energised_by: Literal["high", "low"] = "low"
    """The level of the pin that energises the coil; many relay boards take low."""
    probe: Id | None = None
    """The probe by which this heater may rest while the controller is silent; left out, it then heats."""
    rest_above_c: float = Field(default=4.0, ge=2.0, le=15.0)
    """While the controller is silent, the heater rests only above this temperature at its probe [°C]."""

    @model_validator(mode="after")
    def _fails_towards_heat(self) -> Self:
        if self.load == "heater" and self.contact != "resting":
            raise ValueError(
                "a heater on a working contact stays cold when this board is dead. Wire it to the resting "
                "contact (NC) and declare contact = 'resting'"
            )
        if self.load == "vent" and self.probe is not None:
            raise ValueError("only a heater rests by a probe of its own; remove probe")
        return self


class BoardFile(Settings):
    """One board of a site, as its own process needs it."""

    schema_version: Literal[1] = Field(alias="schema")
    """Version of this file's shape."""
    site: Id
    """The site's id, as in the site file."""
    name: Id
    """The board's id, as in the site file."""
    channels: tuple[BoardChannel, ...] = Field(alias="channel", min_length=1, max_length=32)
    """Its relays."""
    probes: tuple[BoardProbe, ...] = Field(default=(), alias="probe", max_length=32)
    """Its probes."""
    stagger_s: float = Field(default=1.0, ge=0, le=10)
    """Between one heater's coming on and the next one's [s]; together never more than 60 s."""
    vent_lock_below_c: float = Field(default=5.0, ge=0, le=15)
    """No vent leaves its rest while a probe of this board reads less [°C]."""
    one_wire: str = Field(default="/sys/bus/w1/devices", min_length=1, max_length=400)
    """The folder in which the kernel shows 1-wire devices."""
    watchdog: str = Field(default="", max_length=400)
    """The hardware watchdog, such as '/dev/watchdog'; left out, none is used."""
    broker: Broker = Field(default_factory=Broker)
    """The broker."""

    @property
    def heaters(self) -> tuple[str, ...]:
        """The channels that heat."""
        return tuple(channel.id for channel in self.channels if channel.load == "heater")

    @property
    def vents(self) -> tuple[str, ...]:
        """The channels that move vents."""
        return tuple(channel.id for channel in self.channels if channel.load == "vent")

    @property
    def interlocked(self) -> tuple[str, ...]:
        """The vents that rest shut: on the working contact, whose circuit is open while the coil is dead."""
        return tuple(c.id for c in self.channels if c.load == "vent" and c.contact == "working")


def explain(board: BoardFile) -> str:
    """Return what was understood of a board, for whoever wires it."""
    lines = [f"Board {board.name} of {board.site}, broker {board.broker.host}:{board.broker.port}"]
    for channel in board.channels:
        level = f"pin {channel.pin} {channel.energised_by} energises the coil"
        if channel.load == "vent":
            moves = "moves the vent from its rest"
            lines.append(f"  {channel.id}: vent on the {channel.contact} contact; {level}, which {moves}")
            continue
        lines.append(f"  {channel.id}: heater on the resting contact; {level}, which switches the heat OFF")
        lines.append(
            "     while the controller is silent it heats"
            + (
                ""
                if channel.probe is None
                else f" unless {channel.probe} is above {channel.rest_above_c:g} °C"
            )
        )
    lines += [f"  probe {probe.name}: {board.one_wire}/{probe.device}" for probe in board.probes]
    if not board.watchdog:
        lines.append(
            "  advice: no hardware watchdog. A computer that hangs keeps its coils as they are, and a heater "
            "at rest stays off until somebody pulls the plug; set watchdog = '/dev/watchdog'"
        )
    return "\n".join(lines)


def example_board(name: str) -> Path:
    """Return the path of an example board file that comes with Rimeward."""
    package = Path(__file__).parents[1]
    folders = (package / "examples" / "boards", package.parent / "config" / "boards")
    return next(folder / f"{name}.toml" for folder in folders if (folder / f"{name}.toml").is_file())


def load_board(path: Path) -> BoardFile:
    """Return the board described by a file; raise ``BoardError`` with every fault and its line."""
    written = Written(text_of(path, "board", BoardError), origin=str(path), error=BoardError)
    board = written.as_model(BoardFile)
    written.refuse(_faults_of(board))
    return board


def _faults_of(board: BoardFile) -> list[Fault]:
    channels = [(("channel", i), c) for i, c in enumerate(board.channels)]
    probes = [(("probe", i), p) for i, p in enumerate(board.probes)]
    faults: list[Fault] = []
    for what, found in (
        ("channel", [((*path, "id"), c.id) for path, c in channels]),
        ("pin", [((*path, "pin"), str(c.pin)) for path, c in channels]),
        ("probe", [((*path, "name"), p.name) for path, p in probes]),
        ("device", [((*path, "device"), p.device) for path, p in probes]),
    ):
        faults += _twice(what, found)
    known = {probe.name for probe in board.probes}
    for path, channel in channels:
        if channel.probe is not None and channel.probe not in known:
            faults.append(((*path, "probe"), f"probe '{channel.probe}' is not described in this file"))
    return faults


def _twice(what: str, found: Sequence[tuple[KeyPath, str]]) -> list[Fault]:
    names = [name for _, name in found]
    return [
        (path, f"{what} '{name}' is there twice; each is one thing of its own")
        for i, (path, name) in enumerate(found)
        if name in names[:i]
    ]
