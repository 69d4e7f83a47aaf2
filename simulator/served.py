"""The forecast service of a rehearsal without HTTP: what it says at a time, right or wrong or not at all."""

from datetime import datetime, timedelta

from controller.errors import ForecastError
from controller.site.model import Site
from controller.weather.forecast import Forecast
from controller.weather.open_meteo import forecast_from
from simulator.forecast_body import forecast_body
from simulator.night import Night
from simulator.sky import Sky


class Served:
    """Forecasts of one simulated sky.

    Parameters
    ----------
    sky, site, night, seed
        The truth, where, and how far the night's forecast is off.

    Attributes
    ----------
    answers : bool
        False while nothing comes of asking.
    error : ForecastFault
        How far the forecast is off now.
    faults : set of str
        Names of ``forecast_body.WRONG_BODIES``: how the answer is wrong.
    late_s : float
        By how much the hours are stamped too late [s].
    asked, refused : int
        How often it was asked; answers that were not accepted.

    """

    def __init__(self, sky: Sky, site: Site, night: Night, seed: int) -> None:
        self.answers = True
        self.error = night.forecast
        self.faults: set[str] = set()
        self.late_s = 0.0
        self.asked = self.refused = 0
        self._sky, self._place, self._seed = sky, site.place, seed

    def forecast(self, utc: datetime, shown_utc: datetime) -> Forecast | None:
        """Return the forecast that comes of asking now; None if none does.

        ``shown_utc`` is the time that the asking controller's own clock shows.
        """
        self.asked += 1
        if not self.answers:
            return None
        asked = utc - timedelta(seconds=self.late_s)
        body = forecast_body(self._sky, self._place, self.error, self._seed, asked, faults=self.faults)
        if self.late_s:
            body["hourly"]["time"] = [s + round(self.late_s) for s in body["hourly"]["time"]]
        try:
            return forecast_from(body, shown_utc, self._place)
        except ForecastError:
            self.refused += 1
            return None
