"""Numbers and times as a grower reads them."""

from datetime import UTC, datetime, timedelta

import pytest

from controller.phone.figures import Figures, energy, figures_of, money, small_money
from controller.site.model import Phone
from tests.conftest import DUSK


def figures_for(site, **phone):
    return figures_of(site.model_copy(update={"phone": Phone(**phone)}))


def test_a_real_minus_one_decimal_and_no_minus_zero(curlew_yard):
    figures = figures_for(curlew_yard)
    assert figures.temp(-6.84) == "\N{MINUS SIGN}6.8 °C"
    assert figures.temp(-0.04) == "0.0 °C"
    assert figures.temp(None) == "\N{EN DASH}"


@pytest.mark.parametrize(
    ("celsius", "fahrenheit"), [(0.0, "32.0 °F"), (-40.0, "−40.0 °F"), (37.0, "98.6 °F")]
)
def test_fahrenheit_by_its_definition(curlew_yard, celsius, fahrenheit):
    assert figures_for(curlew_yard, temperature="fahrenheit").temp(celsius) == fahrenheit


def test_a_difference_has_no_32_in_it(curlew_yard):
    assert figures_for(curlew_yard, temperature="fahrenheit").change(0.5) == "+0.9 °F"
    assert figures_for(curlew_yard).change(-0.44) == "−0.4 °C"


def test_times_are_local_with_the_weekday_only_where_it_could_be_mistaken(curlew_yard):
    figures = figures_for(curlew_yard)
    assert figures.time(DUSK + timedelta(hours=13), DUSK) == "06:00"
    assert figures.time(DUSK + timedelta(hours=40), DUSK) == "Sat 09:00"
    assert figures_for(curlew_yard, clock="12-hour").time(DUSK, DUSK) == "5:00 pm"


def test_summer_time_of_the_place(curlew_yard):
    # Europe/Dublin is an hour ahead of UTC in July (IANA tz database)
    noon = datetime(2027, 7, 1, 12, 0, tzinfo=UTC)
    assert figures_for(curlew_yard).time(noon, noon) == "13:00"


def test_lengths_of_time_and_sums(curlew_yard):
    figures: Figures = figures_for(curlew_yard)
    assert [figures.ago(s) for s in (5, 119, 600, 3 * 3600)] == ["5 s", "119 s", "10 min", "3 h"]
    assert energy(1.26) == "1.3 kWh"
    assert money(0.378, "EUR") == "38 cents"
    assert money(0.999, "EUR") == "1.00 EUR"
    assert money(1.5, "NZD") == "1.50 NZD"
    assert money(0.378, "GBP") == "0.38 GBP"
    assert money(0.004, "EUR") == "under a cent"
    assert small_money(0.0134, "EUR") == "1.3 cents"
    assert small_money(0.0134, "GBP") == "0.013 GBP"


def test_the_guards_temperatures_become_fahrenheit_where_wanted(curlew_yard):
    # 0 °C is 32 °F and -40 °C is -40 °F, by definition; decimals stay decimals, one at most
    figures = figures_for(curlew_yard, temperature="fahrenheit")
    text = "-40 °C is possible outside, and 0.40 °C is not above 1.00 °C; by 2 K"
    expected = "−40 °F is possible outside, and 32.7 °F is not above 33.8 °F; by 2 K"
    assert figures.localised(text, DUSK) == expected
    assert figures_for(curlew_yard).localised("-5 °C at 1-2 h", DUSK) == "−5 °C at 1-2 h"


def test_the_guards_times_become_local(curlew_yard):
    zone = curlew_yard.place.model_copy(update={"time_zone": "Pacific/Auckland"})
    figures = figures_for(curlew_yard.model_copy(update={"place": zone}))
    # Auckland is 13 h ahead of UTC in January (IANA tz database): dusk, 17:00 UTC, is 06:00 the next morning
    assert figures.localised("heat until 18:30 UTC", DUSK) == "heat until 07:30"
    assert figures.localised("heat until 03:00 UTC", DUSK) == "heat until 16:00"
    assert figures.localised("until 2027-01-17 18:30 UTC, so", DUSK) == "until Mon 07:30, so"
    for odd in ("until 2027-02-30 18:30 UTC", "at 25:00 UTC", "3.00 °C"):
        assert figures.localised(odd, DUSK) == odd
