"""What is expected, from one place for daemon and commands: forecast, correction, the model in use."""

import math
import shutil
import sqlite3
from contextlib import closing, suppress
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from controller.errors import ForecastError, JournalError
from controller.guard.confirm import done
from controller.guard.events import Confirmed
from controller.guard.now import Now
from controller.guard.state import State, begin
from controller.journal.reader import confirmations, latest_readings
from controller.journal.store import open_for_reading, state_folder
from controller.keeper import handle
from controller.learn.models import Models
from controller.plan.advice import Advice, advise
from controller.plan.certainty import model_spread_k
from controller.plan.plan import Plan, plan_of
from controller.site.model import Site
from controller.site.work import NOTHING_DONE, Done
from controller.weather.forecast import Forecast
from controller.weather.service import FILE_NAME, Forecasts
from controller.weather.site_weather import FILE_NAME as LEARNED_FILE_NAME
from controller.weather.site_weather import SiteWeather


class Foresight:
    """A site's forecasts, corrected by what its outside probe taught.

    Parameters
    ----------
    site
        The site.
    folder
        Where forecasts and what was learned are kept; this object alone writes them there.
    """

    def __init__(self, site: Site, folder: Path) -> None:
        self._forecasts = Forecasts(site, folder)
        self._site_weather = SiteWeather(site.place, folder)

    @property
    def trouble(self) -> str:
        """What is wrong with forecasts, in words."""
        return "; ".join(text for text in (self._forecasts.trouble, self._site_weather.trouble) if text)

    def learn(self, now: datetime, outside_c: float) -> None:
        """Take in what the outside probe reads now [°C]."""
        self._site_weather.learn(now, outside_c)

    def expected(self, now: datetime, outside_c: float) -> tuple[Forecast, Forecast | None]:
        """Return the forecast corrected for this site, and the one it was made from if that is new.

        Without any service it is what the probe's last days suggest.

        Raises
        ------
        ForecastError
            There is neither.
        """
        try:
            issued, fresh = self._forecasts.latest(now)
        except ForecastError:
            if (instead := self._site_weather.without_forecast(now)) is None:
                raise
            return instead, None
        corrected, _ = self._site_weather.corrected(issued, now, outside_c)
        return corrected, issued if fresh else None


def plan_now(site: Site, folder: Path | None) -> tuple[Plan, tuple[Advice, ...]]:
    """Return plan and advice as of now, as the daemon would make them; nothing is switched or kept.

    Raises
    ------
    ForecastError
        There is no forecast, or it reaches less than six hours ahead.
    """
    folder = state_folder(site.name, folder)
    now = datetime.now(UTC)
    latest_c, work = from_journal(site, folder, now)
    outside = [latest_c[probe.name] for probe in site.probes_of("outside") if probe.name in latest_c]
    with TemporaryDirectory() as own:  # the daemon alone writes its folder
        for name in (FILE_NAME, LEARNED_FILE_NAME):
            if (kept := folder / name).exists():
                shutil.copy(kept, own)
        forecast, _ = Foresight(site, Path(own)).expected(now, min(outside, default=math.nan))
    model = Models(folder).in_use(site)
    certainty_k = model_spread_k(site, model.parameters, model.noise, model.doubt, now)
    plan = plan_of(site, forecast, latest_c, now, model.parameters, certainty_k)
    if plan is None:
        raise ForecastError(f"the forecast of {forecast.source} says too little of the coming six hours")
    return plan, advise(site, forecast, plan, latest_c, now, work)


def from_journal(site: Site, folder: Path, now: datetime) -> tuple[dict[str, float], Done]:
    """Return what the probes last said and what people said was done."""
    try:
        connection = open_for_reading(folder / "journal.db")
    except JournalError:
        return {}, NOTHING_DONE  # where nothing was read yet, the forecast says where to start
    with closing(connection):
        present = Now(mono_s=0.0, utc=now)
        state = with_words(begin(site, "reader"), connection, present)
        return latest_readings(connection, site.probes, now), done(state.confirmed, present)


def with_words(state: State, connection: sqlite3.Connection, now: Now) -> State:
    """Return a state with what people said was done; a journal made before there were such words has none."""
    with suppress(sqlite3.Error):
        for word in confirmations(connection, now.utc):
            state, _ = handle(state, Confirmed(confirmation=word), now)
    return state
