"""Numbers and times as a person reads them: unit, local time, 24 or 12 hours."""

import re
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from controller.local_time import clock, localised
from controller.phone.words import say
from controller.site.model import Site

_CELSIUS = re.compile(r"(?<![\w.])[-\u2212]?\d+(?:\.(?P<decimals>\d+))? °C", re.ASCII)
_HYPHEN_MINUS = re.compile(r"(?<![\w.])-(?=\d)")
MINUS = "\N{MINUS SIGN}"
# Sums below one of these are told in their hundredths (ISO 4217's minor unit, called cent in each).
CENTS = frozenset({"AUD", "CAD", "EUR", "NZD", "USD", "ZAR"})


@dataclass(frozen=True, slots=True)
class Figures:
    """How one site's page writes numbers and times."""

    zone: ZoneInfo
    fahrenheit: bool
    twelve_hours: bool

    @property
    def unit(self) -> str:
        """The sign of the temperature's unit."""
        return "°F" if self.fahrenheit else "°C"

    def shown(self, temp_c: float) -> float:
        """Return a temperature as a bare number in the page's unit."""
        return temp_c * 9.0 / 5.0 + 32.0 if self.fahrenheit else temp_c

    def temp(self, temp_c: float | None) -> str:
        """Return a temperature with one decimal and its unit; a dash where it is not known."""
        return "\N{EN DASH}" if temp_c is None else f"{_signed(self.shown(temp_c), 1)} {self.unit}"

    def change(self, change_k: float) -> str:
        """Return a difference of temperatures with its sign."""
        shown_k = change_k * 9.0 / 5.0 if self.fahrenheit else change_k
        return f"{'+' if round(shown_k, 1) >= 0 else ''}{_signed(shown_k, 1)} {self.unit}"

    def time(self, at: datetime, now: datetime) -> str:
        """Return a local time of day, with the weekday where it could be mistaken."""
        return clock(at, now, self.zone, twelve_hours=self.twelve_hours)

    def weekday(self, at: datetime) -> str:
        """Return the local day of the week."""
        return f"{at.astimezone(self.zone):%A}"

    def day(self, at: datetime) -> str:
        """Return the local date without its year."""
        local = at.astimezone(self.zone)
        return f"{local.day} {local:%B}"

    def localised(self, text: str, now: datetime) -> str:
        """Return a text of the guard's in this place's time and unit."""
        text = localised(text, now, self.zone, twelve_hours=self.twelve_hours)
        if self.fahrenheit:
            text = _CELSIUS.sub(self._in_fahrenheit, text)
        return _HYPHEN_MINUS.sub(MINUS, text)

    def _in_fahrenheit(self, found: re.Match[str]) -> str:
        temp_c = float(found[0].removesuffix(" °C").replace(MINUS, "-"))
        return f"{_signed(self.shown(temp_c), 1 if found['decimals'] else 0)} {self.unit}"

    def ago(self, seconds: float) -> str:
        """Return a length of time in its largest fitting unit."""
        if seconds < 120:
            return say("seconds", n=max(0, round(seconds)))
        if seconds < 7200:
            return say("minutes", n=round(seconds / 60))
        return say("hours", n=round(seconds / 3600))


def figures_of(site: Site) -> Figures:
    """Return how a site's page writes numbers and times."""
    return Figures(
        zone=ZoneInfo(site.place.time_zone),
        fahrenheit=site.phone.temperature == "fahrenheit",
        twelve_hours=site.phone.clock == "12-hour",
    )


def energy(kwh: float) -> str:
    """Return an energy."""
    return f"{kwh:.1f} kWh"


def money(cost: float, currency: str) -> str:
    """Return a sum with its currency's code, a small one in cents where there are such."""
    if currency in CENTS and cost < 0.995:
        cents = round(100.0 * cost)
        return say("cents", n=cents) if cents else say("no-cents")
    return f"{cost:.2f} {currency}"


def small_money(cost: float, currency: str) -> str:
    """Return a sum that may be a part of a cent."""
    return say("cents", n=f"{100.0 * cost:.1f}") if currency in CENTS else f"{cost:.3f} {currency}"


def _signed(number: float, decimals: int) -> str:
    rounded = round(number, decimals) + 0.0  # no minus before a zero
    return f"{rounded:.{decimals}f}".replace("-", MINUS)
