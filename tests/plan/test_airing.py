"""What the plan asks of vents, from forecast and prediction."""

from datetime import UTC, datetime

import numpy as np
import pytest

from controller.plan.airing import Airing, airing_of

SLOT_S = 900.0
MARCH, JULY = datetime(2027, 3, 14, tzinfo=UTC), datetime(2027, 7, 14, tzinfo=UTC)


def asked(site, begin, *, outside_c=12.0, dew_c=6.0, house_c=14.0, heats=False):
    """Return the airing of a whole day from midnight UTC on."""
    at_s = begin.timestamp() + SLOT_S * np.arange(1, 97)

    def day(value):
        return np.broadcast_to(np.asarray(value), (96,))

    return airing_of(
        site,
        at_s=at_s,
        outside_c=day(outside_c),
        dew_point_c=day(dew_c),
        house_c=day(house_c),
        heats=day(heats),
        slot_s=SLOT_S,
    )


def hour(k):
    return np.arange(96) // 4 == k


def test_within_five_hours_of_heat_the_warmth_is_kept_and_not_before(curlew_yard):
    plan = asked(curlew_yard, MARCH, heats=hour(20))
    kept = [k for k, each in enumerate(plan.airing) if each is Airing.KEEP]
    assert (kept[0], kept[-1]) == (80 - 19, 83)


def test_a_mild_day_dries_by_daylight_only(curlew_yard):
    plan = asked(curlew_yard, MARCH)
    dries = [k // 4 for k, each in enumerate(plan.airing) if each is Airing.DRY]
    # sunrise at about 6:40, sunset at about 18:30 UTC (almanac, from memory), less 5° of height
    assert 7 <= dries[0] <= 8
    assert 17 <= dries[-1] <= 18
    ask = plan.ask(48)
    assert ask.airing is Airing.DRY
    assert ask.outside_kpa == pytest.approx(0.935, abs=0.001)  # FAO-56 annex 2, table 2.3: 6 °C
    assert np.isnan(asked(curlew_yard, MARCH, dew_c=np.nan).ask(48).outside_kpa)
    assert plan.ask(96) is None
    assert plan.ask(-1) is None


@pytest.mark.parametrize("wet", [{"dew_c": 12.0, "house_c": 12.5}, {"dew_c": np.nan}, {"outside_c": 4.9}])
def test_air_as_damp_unknown_or_cold_dries_nothing(curlew_yard, wet):
    assert Airing.DRY not in asked(curlew_yard, MARCH, **wet).airing


def test_before_a_hot_hour_vents_open_early(curlew_yard):
    plan = asked(curlew_yard, JULY, outside_c=18.0, dew_c=18.0, house_c=np.where(hour(12), 33.0, 20.0))
    early = [k for k, each in enumerate(plan.airing) if each is Airing.EARLY]
    assert (early[0], early[-1]) == (48 - 7, 51)


def test_a_warm_night_cools_and_a_cold_one_ahead_forbids_it(curlew_yard):
    warm = asked(curlew_yard, JULY, outside_c=12.0)
    assert warm.airing[0] is Airing.NIGHT
    assert warm.tender, "fruitlets hang in July"
    colder = asked(curlew_yard, JULY, outside_c=np.where(hour(5), 6.0, 12.0))
    assert colder.airing[0] is not Airing.NIGHT
    unknown = asked(curlew_yard, JULY, outside_c=np.where(hour(5), np.nan, 12.0))
    assert unknown.airing[0] is not Airing.NIGHT
    february = asked(curlew_yard.model_copy(update={"trees": curlew_yard.trees[:1]}), MARCH)
    assert not february.tender


def test_a_house_without_vents_has_nothing_to_lock(curlew_yard):
    site = curlew_yard.model_copy(update={"vents": ()})
    assert Airing.DRY in asked(site, MARCH, outside_c=4.0, dew_c=-2.0).airing
