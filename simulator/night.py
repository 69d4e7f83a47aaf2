"""Nights: the scenarios a rehearsal can play, as data.

Each is a TOML file beside this module in ``nights/``, so that a new night is a new file.
"""

import tomllib
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from controller.errors import RehearsalError
from controller.site.load import example_site, load_site
from controller.site.model import Place, Site
from simulator.days import Day, sky_of_days
from simulator.faults.setting import FaultSetting
from simulator.sky import Sky
from simulator.weather_files import reference_year
from simulator.weather_years import read_year
from simulator.winters import another_year

FOLDER = Path(__file__).parent / "nights"
# What a sky must reach beyond a run: days in which the house forgets its beginning, and a forecast's ends.
BEFORE = timedelta(days=8)
AFTER = timedelta(days=6)


class _Model(BaseModel):
    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, use_attribute_docstrings=True
    )


class InventedDay(_Model):
    """One day and the night that follows it; days not listed are like the last listed before them."""

    day: int = Field(ge=-30, le=400)
    """Which day, 0 being the date on which the night starts."""
    max_c: float = Field(ge=-40, le=50)
    """Highest temperature of the afternoon [°C]."""
    min_c: float = Field(ge=-40, le=40)
    """Lowest temperature at the dawn that follows [°C]."""
    dew_point_c: float = Field(ge=-50, le=30)
    """Dew point from this noon to the next [°C]; never above the air's temperature."""
    cloud_frac: float = Field(ge=0, le=1)
    """Cloud cover from this noon to the next, 0 clear to 1 overcast."""
    wind_m_s: float = Field(ge=0, le=40)
    """Wind at 10 m from this noon to the next [m/s]."""


class InventedWeather(_Model):
    """Weather made up from a few numbers for each day."""

    kind: Literal["invented"]
    days: tuple[InventedDay, ...] = Field(alias="day", min_length=1, max_length=60)
    """The days, in order."""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        numbers = [day.day for day in self.days]
        if numbers != sorted(set(numbers)):
            raise ValueError(f"expected each day once and in rising order, but the days are {numbers}")
        return self

    def sky(self, place: Place, begin: datetime, end: datetime, seed: int) -> Sky:
        """Return this weather over a run, with room on both sides."""
        days = [Day(**day.model_dump()) for day in self.days]
        return sky_of_days(days, place, begin, begin - BEFORE, end + AFTER, seed)


class ReferenceWeather(_Model):
    """Weather of a German test reference year, from the package that carries it."""

    kind: Literal["reference-year"]
    region: int = Field(ge=1, le=15)
    """Which region: 1 is the North Sea coast, 2 the Baltic, 12 the upper Rhine."""

    another_year: bool = False
    """Whether each seed is another year that this climate could have had."""

    def sky(self, place: Place, begin: datetime, end: datetime, seed: int) -> Sky:
        """Return this weather over a run, with room on both sides."""
        year = reference_year(self.region)
        return (another_year(year, seed) if self.another_year else year).sky(
            place, begin - BEFORE, end + AFTER
        )


class FileWeather(_Model):
    """Weather of a file: EPW (.epw), TMY3 (.csv) or a German reference year."""

    kind: Literal["year-file"]
    file: str = Field(min_length=1, max_length=400)
    """Where the file is."""
    another_year: bool = False
    """Whether each seed is another year that this climate could have had."""

    def sky(self, place: Place, begin: datetime, end: datetime, seed: int) -> Sky:
        """Return this weather over a run, with room on both sides."""
        year = read_year(Path(self.file))
        return (another_year(year, seed) if self.another_year else year).sky(
            place, begin - BEFORE, end + AFTER
        )


class ForecastFault(_Model):
    """How wrong the forecast is that the rehearsal's service serves."""

    bias_k: float = Field(default=0.0, ge=-15, le=15)
    """Forecast less truth [K]: positive promises a night too warm."""
    noise_k: float = Field(default=0.0, ge=0, le=10)
    """Deviation of its random error a day ahead [K]; half of that now, twice that at four days."""

    clear_night_bias_k: float = Field(default=0.0, ge=-15, le=15)
    """How much warmer than the truth it promises clear, calm hours of the night [K], beyond ``bias_k``."""
    bust_chance: float = Field(default=0.0, ge=0, le=1)
    """Share of nights that it gets altogether wrong, run after run."""
    bust_k: float = Field(default=6.0, ge=0, le=15)
    """By how much, too warm or too cold [K]."""
    overcast: bool = False
    """Whether it promises full cloud and the warmth that keeps, whatever the sky does."""


class Covering(_Model):
    """When people put the fleece on and take it off; left out, it stays on."""

    on: time
    """Local time at which it goes on."""
    off: time
    """Local time at which it comes off."""


class Night(_Model):
    """One scenario."""

    title: str = Field(min_length=1, max_length=80)
    """Its name for people."""
    says: str = Field(min_length=1, max_length=300)
    """What happens, in one plain sentence."""
    site: str = Field(min_length=1, max_length=60)
    """The example site it plays at."""
    start: datetime
    """When it begins: local time at the site, without an offset."""
    hours: float = Field(gt=0, le=24 * 400)
    """How long it lasts [h]."""
    weather: Annotated[InventedWeather | ReferenceWeather | FileWeather, Field(discriminator="kind")]
    """What the weather does."""
    forecast: ForecastFault = Field(default_factory=ForecastFault)
    """What the forecast makes of it."""
    covering: Covering | None = None
    """When fleece goes on and off each day; left out, it is on throughout."""
    bare: bool = False
    """Whether there is no fleece at all, as in summer."""
    fleece_water_kg_per_m2: float = Field(default=0.0, ge=0, le=1)
    """Water in the fleece when the night begins [kg/m²]; it holds some 0.3."""
    lamps_burnt_h: float = Field(default=0.0, ge=0, le=20000)
    """For how long the lamps have burnt before the night [h]; each lives some 3000 h."""
    frost_stat_c: float | None = Field(default=None, ge=-10, le=30)
    """Where the frost-stats in series with the strings are set [°C]; left out, they are turned up."""
    screening: float = Field(default=1.0, ge=0, le=1)
    """How far probes are kept from feeling surfaces and the sun instead of the air, 1 wholly, 0 not."""
    at_stake: Literal["fruit", "blossom"] = "fruit"
    """What of the trees can be lost in this night."""
    faults: tuple[FaultSetting, ...] = Field(default=(), alias="fault", max_length=50)
    """What goes wrong, and when."""

    @model_validator(mode="after")
    def _local_start(self) -> Self:
        if self.start.tzinfo is not None:
            raise ValueError("expected a local time without an offset, such as 2027-01-15T15:00:00")
        return self

    def load_site(self) -> Site:
        """Return the site it plays at."""
        return load_site(example_site(self.site))

    def start_utc(self, site: Site) -> datetime:
        """Return when it begins, at a site."""
        return self.start.replace(tzinfo=ZoneInfo(site.place.time_zone)).astimezone(UTC)

    def end_utc(self, site: Site) -> datetime:
        """Return when it ends, at a site."""
        return self.start_utc(site) + timedelta(hours=self.hours)

    def sky(self, site: Site, seed: int) -> Sky:
        """Return its weather at a site."""
        return self.weather.sky(site.place, self.start_utc(site), self.end_utc(site), seed)


def list_nights() -> list[str]:
    """Return the names of the nights that come with Rimeward."""
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


def load_night(name: str | Path) -> Night:
    """Return a night by its name, or from a file by its path.

    Raises
    ------
    RehearsalError
        There is no such night, or the file does not describe one; the text says what was expected.
    """
    path = name if isinstance(name, Path) else FOLDER / f"{name}.toml"
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RehearsalError(f"there is no night '{name}'; there are: {', '.join(list_nights())}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise RehearsalError(f"{path}: not TOML: {error}") from error
    try:
        return Night.model_validate(_tuples(data))
    except ValidationError as error:
        faults = [
            f"  {'.'.join(map(str, fault['loc']))}: {fault['msg']}, but {str(fault['input'])[:60]} came"
            for fault in error.errors(include_url=False)
        ]
        raise RehearsalError(f"{path}: not a night\n" + "\n".join(faults)) from None


def _tuples(value: object) -> object:
    """Turn TOML's lists into the tuples that frozen models hold."""
    if isinstance(value, dict):
        return {key: _tuples(item) for key, item in value.items()}
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value
