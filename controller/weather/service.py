"""The forecast as the rest of Rimeward asks for it: the first service that answers, else the last good one.

ask each service that may be asked, in order ── any good ──> the first; the others are second opinions
 │ all failed (each notes when it may be asked again)
last good one covers the coming hours ──> that, not fresh, its age told
 │ no
ForecastError
"""

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from controller.errors import ForecastError, Retry
from controller.site.model import ForecastService, Place, Site
from controller.weather.ageing import STALLED_S, Pulse, widened
from controller.weather.forecast import Forecast
from controller.weather.forecast import ForecastService as Service
from controller.weather.met_norway import MetNorway
from controller.weather.nws import Nws
from controller.weather.open_meteo import OpenMeteo
from controller.weather.opinions import with_opinions
from controller.weather.store import LastGood

# A kept forecast is of use while it reaches this far ahead [h].
LEAST_AHEAD_H = 6.0
# Waits after a failure [s]: doubled from the first to the last, drawn up to a fifth longer, so that many
# sites do not come back at once.
FIRST_WAIT_S = 60.0
MOST_WAIT_S = 900.0
JITTER = 0.2
# What only a person can mend is tried again this rarely [s]: the mending may be the service's own.
MENDED_WAIT_S = 6 * 3600.0
# No wait is longer than this [s]; a longer one means that the clock was set back.
LONGEST_WAIT_S = 25 * 3600.0
FILE_NAME = "forecast.json"

Maker = Callable[[ForecastService, Place, str], Service]
MAKERS: dict[str, Maker] = {
    "open-meteo": OpenMeteo,
    "open-meteo-ensemble": OpenMeteo,
    "met-norway": MetNorway,
    "nws": Nws,
}


class _NotForYou:
    """A service that may not be asked, because its terms do not allow this use."""

    def latest(self, _: datetime) -> Forecast:
        """Say why."""
        raise ForecastError(
            "open-meteo: its free host is for non-commercial use, and this site sells its fruit; take a key "
            "(key_file, base_url) or name met-norway, which is free for commerce",
            Retry.WHEN_MENDED,
        )


@dataclass(slots=True)
class _Chair:
    """One service and what became of asking it."""

    name: str
    service: Service
    failures: int = 0
    not_before: datetime | None = None
    trouble: str = ""
    pulse: Pulse = field(default_factory=Pulse)

    def may_ask(self, now: datetime) -> bool:
        if self.not_before is None:
            return True
        wait_s = (self.not_before - now).total_seconds()
        return wait_s <= 0.0 or wait_s > LONGEST_WAIT_S

    def failed(self, error: ForecastError, now: datetime) -> None:
        self.failures += 1
        self.trouble = str(error)
        self.not_before = ask_again_at(error.retry, self.failures, now, random.random())  # noqa: S311 (no secret)

    def succeeded(self, forecast: Forecast) -> Forecast:
        """Return an answer, widened and with its trouble told where its numbers stood still too long."""
        self.failures, self.not_before, self.trouble = 0, None, ""
        still_s = self.pulse.unchanged_s(forecast)
        if still_s < STALLED_S:
            return forecast
        self.trouble = (
            f"{self.name}: the same forecast for {still_s / 3600.0:.0f} h; its model may have stalled"
        )
        return widened(forecast, still_s / 3600.0)


def ask_again_at(retry: Retry, failures: int, now: datetime, draw: float) -> datetime:
    """Return when a service may be asked again.

    Parameters
    ----------
    retry
        What its failure says.
    failures
        How many times running it has failed, 1 or more.
    now
        The present.
    draw
        A number in 0..1 that spreads sites out.
    """
    now = now.astimezone(UTC)
    spread = timedelta(seconds=draw * JITTER * FIRST_WAIT_S)
    minute, hour = now.replace(second=0, microsecond=0), now.replace(minute=0, second=0, microsecond=0)
    match retry:
        case Retry.SOON:
            wait_s = min(MOST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(failures - 1, 10))
            return now + timedelta(seconds=wait_s * (1.0 + JITTER * draw))
        case Retry.NEXT_MINUTE:
            return minute + timedelta(minutes=1) + spread
        case Retry.NEXT_HOUR:
            return hour + timedelta(hours=1) + 5 * spread
        case Retry.NEXT_DAY:
            return hour.replace(hour=0) + timedelta(days=1) + 25 * spread
        case Retry.WHEN_MENDED:
            return now + timedelta(seconds=MENDED_WAIT_S * (1.0 + JITTER * draw))


class Forecasts:
    """A site's forecasts.

    Parameters
    ----------
    site
        Names the services, in order of preference.
    folder
        Where the last good forecast is kept.

    Attributes
    ----------
    trouble
        What is wrong with the forecasts now, in plain words; empty when every service answered soundly.
    """

    def __init__(self, site: Site, folder: Path) -> None:
        settings = site.forecast
        self.trouble = ""
        self._kept = LastGood(folder / FILE_NAME)
        self._last = self._kept.recall()
        self._chairs = [
            _Chair(s.kind, _NotForYou())
            if settings.use == "commercial" and s.is_free_for_hobby_only
            else _Chair(s.kind, MAKERS[s.kind](s, site.place, settings.contact))
            for s in settings.services
        ]

    def latest(self, now: datetime) -> tuple[Forecast, bool]:
        """Return the best forecast there is and whether it was fetched just now.

        Raises
        ------
        ForecastError
            No service answered, and the last good forecast does not reach ``LEAST_AHEAD_H`` ahead.
        """
        if not self._chairs:
            self.trouble = (
                "no forecast service is named in the site file: the guard works from its probes alone"
            )
            raise ForecastError(self.trouble, Retry.WHEN_MENDED)
        answers = [a for chair in self._chairs if (a := self._ask(chair, now)) is not None]
        if answers:
            # a service may answer with what still stands; that is no trouble, only nothing new
            self._last = with_opinions(answers[0], answers[1:])
            self._kept.keep(self._last)
            self.trouble = "; ".join(t for t in (*(c.trouble for c in self._chairs), self._kept.trouble) if t)
            return self._last, self._last.fetched_at == now
        troubles = "; ".join(chair.trouble for chair in self._chairs)
        if self._last is None or not _reaches(self._last, now):
            old = f"; the last one, {_age(self._last, now)} old, ends too soon" if self._last else ""
            self.trouble = f"no forecast: {troubles}{old}"
            raise ForecastError(self.trouble)
        kept = f"the one of {self._last.source} {_age(self._last, now)} ago still stands"
        self.trouble = f"no new forecast, {kept}: {troubles}"
        return widened(self._last, (now - self._last.fetched_at).total_seconds() / 3600.0), False

    def _ask(self, chair: _Chair, now: datetime) -> Forecast | None:
        if not chair.may_ask(now):
            return None
        try:
            forecast = chair.service.latest(now)
        except ForecastError as error:
            chair.failed(error, now)
            return None
        return chair.succeeded(forecast)


def _reaches(forecast: Forecast, now: datetime) -> bool:
    return (forecast.ends_at - now).total_seconds() >= LEAST_AHEAD_H * 3600.0


def _age(forecast: Forecast, now: datetime) -> str:
    """Return how long ago a forecast was fetched, for people."""
    hours = (now - forecast.fetched_at).total_seconds() / 3600.0
    if hours < 0.0:
        return "an unknown time (the clock was set back)"
    return f"{hours * 60.0:.0f} min" if hours < 1.5 else f"{hours:.0f} h"
