"""The site file's shape: frozen, strict models with a unit, a range and a help text on every field.

Whether the parts fit together is the business of ``checks``; reading a file, with the line of each fault,
is that of ``load``.
"""

import math
import re
from collections.abc import Callable
from datetime import time
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from controller.site.handbook import (
    CONTINUOUS_LOAD_FRACTION,
    CROPS,
    RESTING_CONTACT_FRACTION,
    CropKind,
    FleeceKind,
    FloorKind,
    GlazingKind,
    StringKind,
)
from controller.site.people import Alarm
from controller.site.told import Settings as _Model

# Hard floor of every hold temperature [°C]: below it ripe fruit of every kind has begun to freeze somewhere
# on the tree (FAO ENRS 10 table, less 0.5 K of probe error), so no site file may ask for it.
LOWEST_HOLD_C = -1.0
HIGHEST_HOLD_C = 8.0
# Where risk sets the hold temperature, it stays this far above the damage of ripe fruit, 0.85 K for fruit
# colder than its air under fleece on a clear night and 0.5 K for the probe, and this far below the usual one
# and above it at most [K].
RISK_ABOVE_DAMAGE_K = 1.35
RISK_LOWER_K, RISK_HIGHER_K = 1.0, 2.0


def _plain_id(text: str) -> str:
    """Accept an id that is safe as one level of an MQTT topic and readable in a log."""
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", text):
        raise ValueError("use small letters, digits and single hyphens, such as 'satsuma-1'")
    return text


def _host_name(text: str) -> str:
    """Accept a host name or address that every resolver takes (an odd one can end a network thread)."""
    labels = text.rstrip(".").split(".")
    if len(text) > 253 or not all(re.fullmatch(r"[A-Za-z0-9_-]{1,63}", label) for label in labels):
        raise ValueError("use a host name or address, such as 'localhost' or '192.0.2.7'")
    return text


def _iana_zone(text: str) -> str:
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError  # noqa: PLC0415 (loads only when a file is read)

    try:
        ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ValueError("use a time-zone name of the IANA database, such as 'Europe/Dublin'") from error
    return text


def _channel_name(text: str) -> str:
    board, separator, channel = text.partition("/")
    if not separator or not board or not channel or "/" in channel:
        raise ValueError("name a channel as 'board/channel', such as 'north/1'")
    return text


def _fitted(what: str) -> Callable[[bool], bool]:
    """Return a check that a guard every heater needs is declared."""

    def check(declared: bool) -> bool:  # noqa: FBT001 (the form pydantic calls)
        if not declared:
            raise ValueError(
                f"this string lacks {what}. Without it a stuck relay heats day and night against fabric; "
                "have it fitted in series, then declare it here as true"
            )
        return declared

    return check


Id = Annotated[str, Field(min_length=1, max_length=40), AfterValidator(_plain_id)]
Topic = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^#+\x00]+$")]
PlainText = Annotated[str, Field(min_length=1, max_length=100, pattern=r"^\S(.*\S)?$")]
ChannelName = Annotated[str, Field(max_length=81), AfterValidator(_channel_name)]


class Place(_Model):
    """Where the house stands."""

    latitude_deg: float = Field(ge=-90, le=90)
    """Latitude [°], north positive."""
    longitude_deg: float = Field(ge=-180, le=180)
    """Longitude [°], east positive."""
    elevation_m: float = Field(ge=-430, le=5000)
    """Height above sea level [m]; services correct their temperature to it."""
    time_zone: Annotated[str, AfterValidator(_iana_zone)]
    """Time zone for what people read, a name of the IANA database."""
    country: str = Field(default="", max_length=60)
    """Country, as its name in English: says which wiring code to ask about."""


class House(_Model):
    """The house over the trees: a gable from its dimensions."""

    length_m: float = Field(gt=0, le=200)
    """Length along the ridge [m]."""
    width_m: float = Field(gt=0, le=60)
    """Width across the ridge [m]."""
    eaves_height_m: float = Field(gt=0, le=10)
    """Height of the side walls [m]."""
    ridge_height_m: float = Field(gt=0, le=15)
    """Height of the ridge [m]."""
    glazing: Annotated[GlazingKind, Field(strict=False)]
    """What the house is covered with."""
    air_changes_per_h: float = Field(default=1.0, gt=0, le=20)
    """Air leaking in with everything shut, in house volumes per hour at 3 m/s of wind."""
    floor: Annotated[FloorKind, Field(strict=False)] = FloorKind.MOIST_LOAM
    """What the floor is made of."""
    deep_soil_c: float = Field(default=10.0, ge=-5, le=30)
    """Yearly mean of the soil temperature at a metre's depth [°C]; near the yearly mean of the air."""

    @model_validator(mode="after")
    def _ridge_above_eaves(self) -> Self:
        if self.ridge_height_m < self.eaves_height_m:
            raise ValueError(
                f"ridge_height_m ({self.ridge_height_m:g} m) must not be below "
                f"eaves_height_m ({self.eaves_height_m:g} m)"
            )
        return self

    @property
    def floor_area_m2(self) -> float:
        """Floor area [m²]."""
        return self.length_m * self.width_m

    @property
    def gable_area_m2(self) -> float:
        """Area of one gable end [m²]."""
        return self.width_m * (self.eaves_height_m + self.ridge_height_m) / 2.0

    @property
    def volume_m3(self) -> float:
        """Enclosed volume [m³]."""
        return self.gable_area_m2 * self.length_m

    @property
    def cover_area_m2(self) -> float:
        """Area of walls, roof and both gable ends [m²]."""
        slope_m = math.hypot(self.width_m / 2.0, self.ridge_height_m - self.eaves_height_m)
        return 2.0 * (self.length_m * (self.eaves_height_m + slope_m) + self.gable_area_m2)


class HeaterString(_Model):
    """One heater string under a tree's fleece."""

    channel: ChannelName
    """The board channel that switches it, as 'board/channel'."""
    circuit: Id
    """The circuit (breaker) that feeds it."""
    power_w: float = Field(gt=0, le=2000)
    """Power when on [W]: what the label or a meter says, not the kind of lamp."""
    kind: Annotated[StringKind, Field(strict=False)] = StringKind.LAMPS
    """Lamps listed for all-year use, decorative lamps, or heating cable."""
    use: Literal["frost-season", "all-year"] = "frost-season"
    """For how much of the year the string stays connected."""
    frost_stat: Annotated[bool, AfterValidator(_fitted("a series frost-stat"))]
    """Whether a mechanical frost thermostat is wired in series with it."""
    cut_out: Annotated[bool, AfterValidator(_fitted("an over-temperature cut-out"))]
    """Whether an over-temperature cut-out is wired in series with it."""

    @model_validator(mode="after")
    def _used_as_listed(self) -> Self:
        if self.kind is StringKind.DECORATIVE_LAMPS and self.use == "all-year":
            raise ValueError(
                "decorative lamps are listed for seasonal use (for example 90 days, NEC 590.3(B)); declare "
                "use = 'frost-season' and disconnect them in summer, or fit lamps listed for all-year use"
            )
        return self


class Tree(_Model):
    """One tree and what protects it."""

    name: Id
    """The tree's id."""
    kind: Annotated[CropKind, Field(strict=False)]
    """What kind of citrus it is."""
    height_m: float = Field(default=2.5, gt=0.2, le=12)
    """Height under fleece [m]."""
    width_m: float = Field(default=2.0, gt=0.2, le=12)
    """Diameter under fleece [m]."""
    fleece: Annotated[FleeceKind, Field(strict=False)]
    """Weight of the fleece that covers it on cold nights."""
    fleece_layers: int = Field(default=1, ge=1, le=4)
    """Number of layers of that fleece."""
    probes: tuple[Id, ...] = Field(min_length=1, max_length=4)
    """The probes under its fleece; of several, the coldest decides."""
    hold_c: float | None = Field(default=None, ge=LOWEST_HOLD_C, le=HIGHEST_HOLD_C)
    """Air temperature to hold under the fleece [°C]; left out, the kind's own (common practice)."""
    hold: Literal["fixed", "risk"] = "fixed"
    """Fixed: the hold temperature stands.  Risk: the plan moves it by what a night puts at stake, within
    limits in code; without a fresh plan the hold temperature stands."""
    fruit_count: int = Field(default=100, ge=0, le=5000)
    """How many fruit hang on it in winter."""
    season_later_days: float = Field(default=0.0, ge=-120, le=120)
    """How many days later than usual it blooms and ripens [d]; negative for an early variety or place."""
    crop_value: float = Field(default=50.0, ge=0, le=1e6)
    """What the hanging crop is worth, in the tariff's currency."""
    tree_value: float = Field(default=150.0, ge=0, le=1e6)
    """What replacing the tree would cost, in the tariff's currency."""
    strings: tuple[HeaterString, ...] = Field(default=(), alias="string", max_length=8)
    """The heater strings under its fleece."""

    @property
    def hold_or_default_c(self) -> float:
        """Air temperature to hold under the fleece [°C]."""
        return CROPS[self.kind].hold_c if self.hold_c is None else self.hold_c

    @property
    def hold_range_c(self) -> tuple[float, float]:
        """Lowest and highest hold temperature that a plan may set [°C]; both the same where it may not."""
        usual_c = self.hold_or_default_c
        if self.hold == "fixed":
            return usual_c, usual_c
        lowest_c = max(
            usual_c - RISK_LOWER_K, CROPS[self.kind].fruit_damage_c + RISK_ABOVE_DAMAGE_K, LOWEST_HOLD_C
        )
        return min(lowest_c, usual_c), usual_c + RISK_HIGHER_K

    @property
    def power_w(self) -> float:
        """Power of all its strings [W]."""
        return sum(string.power_w for string in self.strings)

    @property
    def ground_area_m2(self) -> float:
        """Soil covered by the fleece [m²]."""
        return math.pi * self.width_m**2 / 4.0

    @property
    def fleece_area_m2(self) -> float:
        """Area of the fleece [m²], a cylinder with a lid."""
        return math.pi * self.width_m * self.height_m + self.ground_area_m2


class Probe(_Model):
    """One temperature probe."""

    name: Id
    """The probe's id, the last level of its topic."""
    measures: Literal["outside", "house", "tree"]
    """What it measures: outside air, house air, or the air under a tree's fleece."""
    topic: str | None = Field(default=None, min_length=1, max_length=200, pattern=r"^[^#+\x00]+$")
    """Its topic, if a board of another make sends it; left out, the contract's own."""
    pointer: str | None = Field(default=None, max_length=200, pattern=r"^(/.*)?$")
    """Where in the payload the temperature stands, a JSON Pointer (RFC 6901); left out, the contract's."""
    reports_at_least_every_s: float = Field(default=60.0, ge=5, le=600)
    """How often it sends a reading at the latest [s]; after twice that it counts as unheard."""
    offset_k: float = Field(default=0.0, ge=-1.0, le=1.0)
    """Correction added to each reading [K], from an ice bath; a probe further off than 1 K is broken."""


class _Loadable(_Model):
    """What may be loaded for hours up to a share of its rating."""

    continuous_fraction: float = Field(default=CONTINUOUS_LOAD_FRACTION, gt=0, le=1)
    """Share of the breaker's or fuse's rating that may be drawn for hours; the default is the NEC's 80 %."""
    local_rule: str = Field(default="", max_length=200)
    """The local rule that allows more than 80 %, in the electrician's words; required for more."""

    @model_validator(mode="after")
    def _rule_named(self) -> Self:
        if self.continuous_fraction > CONTINUOUS_LOAD_FRACTION and not self.local_rule:
            raise ValueError(
                f"continuous_fraction {self.continuous_fraction:g} is above {CONTINUOUS_LOAD_FRACTION:g}; "
                "name the local rule that allows it in local_rule, or lower it"
            )
        return self


class Circuit(_Loadable):
    """One circuit: a breaker and what hangs on it."""

    name: Id
    """The circuit's id."""
    voltage_v: float = Field(ge=12, le=250)
    """Voltage between its conductors [V]."""
    breaker_a: float = Field(gt=0, le=125)
    """Rating of its breaker [A]."""
    phase: Literal["L1", "L2", "L3"] = "L1"
    """The supply phase that feeds it."""
    curve: Literal["B", "C", "D"] | None = None
    """Tripping curve printed before the breaker's rating (B10: curve B), IEC 60898-1; left out, unknown."""
    meter: bool = False
    """Whether a meter sends what it draws (power/<circuit>), which finds dead strings and stuck relays."""

    @property
    def continuous_limit_w(self) -> float:
        """Power that may be drawn for hours [W]."""
        return self.voltage_v * self.breaker_a * self.continuous_fraction


class PlainTexts(_Model):
    """How a channel of a board that knows only texts is switched.

    Which text makes heat follows from the contact: on the resting contact the heater heats while the coil is
    released.
    """

    topic: Topic
    """The topic on which the board hears what this channel shall do; no wildcard (+ or #) in it."""
    energise: PlainText
    """The text that energises the relay's coil; on boards of inverted sense the one that says off."""
    release: PlainText
    """The text that lets the coil go dead."""
    echo_topic: Topic | None = None
    """The topic on which the board says what the channel does; left out, nothing confirms it."""
    echo_energised: PlainText | None = None
    """What it says there while the coil is energised; left out, the same as energise."""
    echo_released: PlainText | None = None
    """What it says there while the coil is dead; left out, the same as release."""
    will_proven: bool = False
    """Whether somebody has pulled the controller's plug and seen this channel take its rest."""

    @model_validator(mode="after")
    def _texts_differ(self) -> Self:
        echoes = (self.echo_energised or self.energise, self.echo_released or self.release)
        if self.energise == self.release or len(set(echoes)) == 1:
            raise ValueError(f"one text, '{self.energise}', cannot mean both; give two different texts")
        if self.echo_topic == self.topic:
            raise ValueError("on its own command topic a board's echo cannot be told from a command")
        return self


class Supply(_Loadable):
    """What feeds all circuits: the main fuse or breaker."""

    main_a: float = Field(gt=0, le=1000)
    """Its rating on each phase [A]."""
    voltage_v: float = Field(ge=12, le=250)
    """Voltage of a phase [V]."""
    phases: Literal[1, 2, 3] = 1
    """How many phases (or legs) it has."""
    other_w: float = Field(default=0.0, ge=0, le=1e6)
    """What else may run on each phase on a cold night [W]."""


class Channel(_Model):
    """One output of a board."""

    id: Id
    """The channel's id on its board."""
    contact: Literal["resting", "working"] = "resting"
    """Resting: closed while the coil is dead (NC), as a heater needs. Working: open while dead (NO)."""
    contact_a: float = Field(default=5.0, gt=0, le=63)
    """Resistive rating of the contact used [A]; resting contacts are often rated at half the working one."""
    contact_a_of: Literal["this-contact", "working-contact"] = "this-contact"
    """Which contact the rating is of; of a relay's label, the working one: half of it counts if resting."""
    plain: PlainTexts | None = None
    """For a board that knows only texts: its topic and texts; left out, the board speaks the contract."""

    @property
    def carries_a(self) -> float:
        """Resistive current that the contact used is taken to stand [A]."""
        is_other = self.contact == "resting" and self.contact_a_of == "working-contact"
        return self.contact_a * RESTING_CONTACT_FRACTION if is_other else self.contact_a


class Board(_Model):
    """One relay board."""

    name: Id
    """The board's id."""
    channels: tuple[Channel, ...] = Field(alias="channel", min_length=1, max_length=64)
    """Its outputs."""
    reports_at_least_every_s: float = Field(default=30.0, ge=5, le=300)
    """How often it sends its echo at the latest [s]."""
    cut_off: Literal["keeps", "rests"] = "keeps"
    """What a board that knows only texts does by itself when it loses the broker: keep its last text for
    ever, or let its coils go dead; look with your own eyes before you write 'rests'."""

    own_thermostat: bool = False
    """Whether it keeps a thermostat of its own while the controller is silent, as `rimeward board` does for
    heaters with a probe; its heat then does not come on by itself in mild air."""

    @model_validator(mode="after")
    def _one_tongue(self) -> Self:
        if len({channel.plain is None for channel in self.channels}) > 1:
            raise ValueError("give plain for each of its channels or for none: a board speaks one way")
        return self

    @property
    def is_plain(self) -> bool:
        """Whether it knows only texts."""
        return self.channels[0].plain is not None


class Vent(_Model):
    """One vent: a fan or a flap."""

    name: Id
    """The vent's id."""
    kind: Literal["fan", "flap"]
    """What moves the air."""
    channel: ChannelName
    """The board channel that switches it, as 'board/channel'."""
    flow_m3_s: float = Field(gt=0, le=100)
    """Air moved when open or running [m³/s]; of a flap, at 3 m/s of wind."""
    rest: Literal["shut", "open"] = "shut"
    """The position it takes by itself when nothing is heard."""
    open_above_c: float = Field(default=28.0, ge=10, le=45)
    """House temperature above which it opens [°C]."""
    lock_below_c: float = Field(default=5.0, ge=0, le=15)
    """House or outside temperature below which it stays shut [°C]."""


class Tariff(_Model):
    """What electricity costs."""

    currency: str = Field(pattern=r"^[A-Z]{3}$")
    """Currency code, ISO 4217: three capital letters, such as EUR."""
    price_per_kwh: float = Field(ge=0, le=1000)
    """Price of a kilowatt-hour, in that currency; with a night rate, that of the rest of the day."""
    night_price_per_kwh: float | None = Field(default=None, ge=0, le=1000)
    """Price of a kilowatt-hour in the cheap hours, where there are two rates."""
    night_from: time | None = None
    """When the cheap hours begin, by the clock on the wall, such as 23:00:00."""
    night_until: time | None = None
    """When they end."""

    @model_validator(mode="after")
    def _night_whole(self) -> Self:
        given = [x is not None for x in (self.night_price_per_kwh, self.night_from, self.night_until)]
        if any(given) and not all(given):
            raise ValueError(
                "a night rate needs night_price_per_kwh, night_from and night_until, all three or none"
            )
        return self


PUBLIC_HOSTS = {
    "open-meteo": "https://api.open-meteo.com",
    "open-meteo-ensemble": "https://ensemble-api.open-meteo.com",
    "met-norway": "https://api.met.no",
    "nws": "https://api.weather.gov",
}


class ForecastService(_Model):
    """One open forecast service."""

    kind: Literal["open-meteo", "open-meteo-ensemble", "met-norway", "nws"]
    """Which service's form it speaks: Open-Meteo's forecast or ensemble, Locationforecast 2.0, the US NWS."""
    base_url: str = Field(default="", pattern=r"^(https?://[^\s/]+[^\s]*)?$")
    """Where it is (https://...); a paid or own host goes here.  Left out, it is the service's public host."""
    key_file: str | None = Field(default=None, max_length=400)
    """File that holds the access key, if the service wants one."""
    model: str = Field(default="", max_length=60, pattern=r"^[a-z0-9_]*$")
    """Which weather model to ask for, in the service's own name; left out, a good one for the place."""

    @property
    def url(self) -> str:
        """Where to ask, without a slash at the end."""
        return (self.base_url or PUBLIC_HOSTS[self.kind]).rstrip("/")

    @property
    def is_free_for_hobby_only(self) -> bool:
        """Whether this host serves only those who do not sell their fruit."""
        return (
            self.kind.startswith("open-meteo") and self.key_file is None and self.url in PUBLIC_HOSTS.values()
        )


class ForecastSettings(_Model):
    """Where forecasts come from."""

    use: Literal["non-commercial", "commercial"]
    """Whether the fruit is sold: free hosts of some services are for non-commercial use only."""
    contact: str = Field(default="", max_length=100, pattern=r"^[\x21-\x7e]*$")
    """How a service reaches the grower (a mail or web address), sent with each request as its terms ask."""
    services: tuple[ForecastService, ...] = Field(default=(), alias="service", max_length=6)
    """The services, in order of preference; none at all leaves the guard with its probes."""


class Broker(_Model):
    """The MQTT broker between controller and boards."""

    host: Annotated[str, Field(max_length=253), AfterValidator(_host_name)] = "127.0.0.1"
    """Its host name or address."""
    port: int = Field(default=1883, ge=1, le=65535)
    """Its port."""
    protocol: Literal["5", "3.1.1"] = "5"
    """Version of MQTT it speaks; mosquitto speaks both."""
    user: str | None = Field(default=None, max_length=100)
    """User name, if it wants one."""
    password_file: str | None = Field(default=None, max_length=400)
    """File that holds the password; passwords do not belong in this file."""
    ca_file: str | None = Field(default=None, max_length=400)
    """Certificate of the authority that signed the broker's; given, the connection is by TLS."""


class Phone(_Model):
    """The page for phones."""

    names: tuple[Annotated[str, Field(max_length=253), AfterValidator(_host_name)], ...] = Field(
        default=(), max_length=8
    )
    """Host names or addresses by which phones call the page; any other name is refused."""
    temperature: Literal["celsius", "fahrenheit"] = "celsius"
    """Unit in which the page shows temperatures."""
    clock: Literal["24-hour", "12-hour"] = "24-hour"
    """How the page writes the time of day."""
    user: str | None = Field(default=None, max_length=100)
    """The page's own user name at the broker, if it wants one."""
    password_file: str | None = Field(default=None, max_length=400)
    """File that holds the page's password at the broker."""


class Site(_Model):
    """A whole site: what stands on the ground and how it is to be kept; read by ``load.load_site``."""

    schema_version: Literal[1] = Field(alias="schema")
    """Version of this file's shape."""
    name: Id
    """The site's id, a level of every topic."""
    title: str = Field(min_length=1, max_length=80)
    """The site's name for people."""
    rehearsal: bool = False
    """True in a site file made for rehearsals: only then may the clock run faster than life."""
    place: Place
    house: House
    trees: tuple[Tree, ...] = Field(alias="tree", min_length=1, max_length=200)
    probes: tuple[Probe, ...] = Field(alias="probe", min_length=1, max_length=400)
    circuits: tuple[Circuit, ...] = Field(default=(), alias="circuit", max_length=64)
    supply: Supply | None = None
    boards: tuple[Board, ...] = Field(default=(), alias="board", max_length=64)
    vents: tuple[Vent, ...] = Field(default=(), alias="vent", max_length=32)
    tariff: Tariff
    forecast: ForecastSettings
    broker: Broker = Field(default_factory=Broker)
    phone: Phone = Field(default_factory=Phone)
    alarm: Alarm = Field(default_factory=Alarm)

    def circuit(self, name: str) -> Circuit:
        """Return a circuit by its id."""
        return next(circuit for circuit in self.circuits if circuit.name == name)

    def circuit_load_w(self, name: str) -> float:
        """Return what a circuit draws [W] with every string on it on, as the fail-safe has it."""
        return sum(s.power_w for tree in self.trees for s in tree.strings if s.circuit == name)

    def probes_of(self, measures: Literal["outside", "house"]) -> tuple[Probe, ...]:
        """Return the probes that measure outside or house air."""
        return tuple(probe for probe in self.probes if probe.measures == measures)
