"""Skies, worlds and weather that several tests of the simulator share."""

from datetime import UTC, datetime

import numpy as np
import pytest

from controller.site.model import Place
from simulator.night import load_night
from simulator.sky import Sky, Weather, longwave_down_w_m2

BEGIN = datetime(2027, 1, 1, tzinfo=UTC)


@pytest.fixture(scope="session")
def place(curlew_yard) -> Place:
    return curlew_yard.place


@pytest.fixture(scope="session")
def clear_calm():
    return load_night("clear-calm")


@pytest.fixture(scope="session")
def clear_sky(curlew_yard, clear_calm) -> Sky:
    return clear_calm.sky(curlew_yard, 1)


def weather(temp_c, *, dew_c=None, wind_m_s=0.5, cloud=0.0, sun_w_m2=0.0) -> Weather:
    """Return weather with the sky's radiation that belongs to it."""
    dew_c = temp_c - 1.5 if dew_c is None else dew_c
    sky_w_m2 = float(longwave_down_w_m2(temp_c, dew_c, cloud))
    return Weather(temp_c, dew_c, wind_m_s, cloud, sun_w_m2, sky_w_m2, 101.3)


def steady_sky(hours=240, **what) -> Sky:
    """Return weather that stays as it is."""
    state = weather(**what)
    return Sky(BEGIN, 3600.0, {name: np.full(hours + 1, value) for name, value in state._asdict().items()})
