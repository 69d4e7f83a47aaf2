"""Advice for thirteen different days, as an experienced grower would say it: see ``advice_days.txt``."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from controller.plan.advice import Task, advise
from controller.plan.plan import plan_of
from controller.site.work import EVERYWHERE, Work
from controller.thermal.sunlight import sun_altitude_deg
from controller.weather.forecast import Forecast

GOLDEN = Path(__file__).with_name("advice_days.txt")
JANUARY, MAY, JULY = (datetime(2027, month, 14, tzinfo=UTC) for month in (1, 5, 7))


@dataclass(frozen=True)
class Day:
    """A day and the next: highest and lowest air, how dry, wind, cloud, and when it is looked at."""

    title: str
    date: datetime = JANUARY
    high_c: float = 6.0
    low_c: float = -4.0
    next_low_c: float | None = None
    dry_k: float = 3.0
    wind_m_s: float = 1.0
    cloud: float = 0.0
    next_cloud: float | None = None
    hour: int = 10
    latitude_deg: float = 52.2
    covered: bool = False

    def forecast(self, site):
        first = self.date.replace(hour=self.hour)
        at_s = first.timestamp() - 3600.0 + 3600.0 * np.arange(62)
        hours = (at_s - self.date.timestamp()) / 3600.0
        # warmest at three, coldest at seven the next morning
        second = hours > 31.0
        low_c = np.where(second, self.low_c if self.next_low_c is None else self.next_low_c, self.low_c)
        shape = 0.5 - 0.5 * np.cos(2.0 * np.pi * (hours - 5.0) / 24.0 + 0.6)
        temp_c = low_c + (self.high_c - low_c) * shape
        cloud = np.where(hours > 24.0, self.cloud if self.next_cloud is None else self.next_cloud, self.cloud)
        altitude = np.radians(
            np.maximum(sun_altitude_deg(at_s - 1800.0, self.latitude_deg, site.place.longitude_deg), 0.0)
        )
        return Forecast(
            source="invented",
            attribution="",
            fetched_at=first,
            issued_at=first,
            elevation_m=25.0,
            at_s=at_s,
            outside_temp_c=temp_c,
            dew_point_c=temp_c - self.dry_k,
            wind_m_s=np.full(62, self.wind_m_s),
            gust_m_s=np.full(62, 2.0 * self.wind_m_s),
            cloud_frac=cloud,
            shortwave_w_m2=950.0 * np.sin(altitude) ** 1.2 * (1.0 - 0.75 * cloud**3),
            precipitation_mm=np.zeros(62),
        )


DAYS = (
    Day("a mild, wet January day", high_c=10.0, low_c=7.0, cloud=1.0, dry_k=1.0, wind_m_s=6.0),
    Day("clear and calm, frost to come"),
    Day("clear, a hard frost to come", high_c=2.0, low_c=-12.0),
    Day("windy frost under cloud", high_c=3.0, low_c=-3.0, cloud=1.0, wind_m_s=7.0),
    Day("a raw, damp day before a clear night", high_c=3.0, low_c=-3.0, dry_k=0.7, cloud=0.9),
    Day("two frosts with a dull day between", high_c=3.0, low_c=-4.0, next_low_c=-5.0, next_cloud=1.0),
    Day("the same frost, looked at after dark", hour=20),
    Day("just above freezing, clear", high_c=8.0, low_c=2.0),
    Day("frost on blossom in May", date=MAY, high_c=12.0, low_c=-1.0),
    Day("a sunny morning after a frost in May", date=MAY, high_c=15.0, low_c=3.0, hour=5, covered=True),
    Day("a bright May day without frost", date=MAY, high_c=18.0, low_c=8.0, hour=6),
    Day("a hot July day", date=JULY, high_c=27.0, low_c=15.0, dry_k=9.0, hour=6),
    Day("July frost in the south", date=JULY, high_c=8.0, low_c=-4.0, latitude_deg=-46.0),
)


def site_of(site, day):
    place = site.place.model_copy(update={"latitude_deg": day.latitude_deg})
    return site.model_copy(update={"place": place})


def advice_of(site, day):
    site, now = site_of(site, day), day.date.replace(hour=day.hour)
    forecast = day.forecast(site)
    latest_c = {"outside": float(np.interp(now.timestamp(), forecast.at_s, forecast.outside_temp_c))}
    plan = plan_of(site, forecast, latest_c, now)
    said = frozenset((Work.COVERED, tree.name) for tree in site.trees if day.covered)
    return advise(site, forecast, plan, latest_c, now, said), now


def test_twelve_days_read_as_they_should(curlew_yard):
    text = ""
    for day in DAYS:
        found, now = advice_of(curlew_yard, day)
        lines = [f"  {each.sentence(site_of(curlew_yard, day), now)}" for each in found]
        text += "\n".join([day.title, *lines, ""]) + "\n"
    assert text == GOLDEN.read_text()


def tasks(site, title):
    day = next(each for each in DAYS if each.title == title)
    return [each.task for each in advice_of(site, day)[0]]


def test_what_must_be_said_whatever_the_words(curlew_yard):
    assert tasks(curlew_yard, "a mild, wet January day") == [Task.NOTHING]
    frost = tasks(curlew_yard, "clear and calm, frost to come")
    assert frost.index(Task.CHECK) < frost.index(Task.SHUT) < frost.index(Task.COVER)
    assert Task.HARVEST not in frost
    assert Task.HARVEST in tasks(curlew_yard, "clear, a hard frost to come")
    assert Task.DRY in tasks(curlew_yard, "a raw, damp day before a clear night")
    assert Task.KEEP in tasks(curlew_yard, "two frosts with a dull day between")
    assert tasks(curlew_yard, "a hot July day") == [Task.OPEN]


def test_covering_is_asked_for_one_to_two_hours_before_sunset(curlew_yard):
    # sunset at 52.2 N, 6.4 W on the 14th of January 2027: about 16:35 (almanac, from memory, to 5 minutes)
    found, now = advice_of(curlew_yard, DAYS[1])
    by = next(each.by for each in found if each.task is Task.COVER)
    sunset = now.replace(hour=16, minute=35)
    assert timedelta(minutes=55) <= sunset - by <= timedelta(minutes=125)


def test_advice_that_is_no_longer_true_is_no_longer_there(curlew_yard):
    milder = replace(DAYS[1], low_c=7.0, cloud=1.0)
    assert [each.task for each in advice_of(curlew_yard, milder)[0]] == [Task.NOTHING]


def test_without_a_plan_there_is_no_word_of_harvest(curlew_yard):
    day = DAYS[2]
    now = day.date.replace(hour=day.hour)
    found = advise(curlew_yard, day.forecast(curlew_yard), None, {}, now)
    assert Task.COVER in {each.task for each in found}
    assert Task.HARVEST not in {each.task for each in found}


def test_a_short_or_holed_forecast_gives_no_advice(curlew_yard):
    given, now = DAYS[1].forecast(curlew_yard), JANUARY.replace(hour=10)
    assert advise(curlew_yard, given, None, {}, now + timedelta(hours=55)) == ()
    given.outside_temp_c[5:20] = np.nan
    assert advise(curlew_yard, given, None, {}, now) == ()


def test_where_the_sun_does_not_rise_the_clock_stands_for_it(curlew_yard):
    found, now = advice_of(curlew_yard, replace(DAYS[1], latitude_deg=80.0))
    by = next(each.by for each in found if each.task is Task.COVER)
    assert by <= now


def test_a_forecast_that_ends_by_night_says_nothing_of_the_morning(curlew_yard):
    given, now = DAYS[1].forecast(curlew_yard), JANUARY.replace(hour=10)
    fields = ("at_s", "outside_temp_c", "dew_point_c", "wind_m_s", "gust_m_s", "cloud_frac", "shortwave_w_m2")
    ends = replace(given, **{name: getattr(given, name)[:18] for name in fields})
    told = {each.task for each in advise(curlew_yard, ends, None, {}, now)}
    assert Task.COVER in told
    assert not {Task.UNCOVER, Task.KEEP} & told


def test_some_trees_are_named(curlew_yard):
    one = curlew_yard.model_copy(update={"trees": curlew_yard.trees[:1]})
    found, _ = advice_of(one, DAYS[1])
    assert any("cover satsuma-door, fleece" in each.what for each in found)


def advice_after(site, day, *work):
    now, given = day.date.replace(hour=day.hour), day.forecast(site)
    plan = plan_of(site, given, {}, now)
    return advise(site, given, plan, {}, now, frozenset(work))


def test_what_was_done_is_not_asked_for_again(curlew_yard):
    names = [tree.name for tree in curlew_yard.trees]
    hard = DAYS[2]
    covered = [(Work.COVERED, name) for name in names]
    first = {each.task for each in advice_after(curlew_yard, hard)}
    assert {Task.COVER, Task.SHUT, Task.HARVEST} <= first
    after = {each.task for each in advice_after(curlew_yard, hard, *covered)}
    assert after == first - {Task.COVER}
    shut = advice_after(curlew_yard, hard, *covered, (Work.VENTS_SHUT, EVERYWHERE))
    assert {each.task for each in shut} == first - {Task.COVER, Task.SHUT}
    one = advice_after(curlew_yard, hard, *covered[1:], *((Work.HARVESTED, name) for name in names[1:]))
    asked = {each.task: each.what for each in one}
    assert asked[Task.COVER] == f"cover {names[0]}, fleece down to the ground"
    assert asked[Task.HARVEST] == f"harvest what is ripe on {names[0]}"


def test_fleece_that_is_off_is_neither_left_on_nor_taken_off(curlew_yard):
    off = [(Work.UNCOVERED, tree.name) for tree in curlew_yard.trees]
    told = {each.task for each in advice_after(curlew_yard, DAYS[1], *off)}
    assert Task.COVER in told
    assert not {Task.UNCOVER, Task.KEEP} & told


def test_a_damp_day_needs_no_dry_fleece_once_it_hangs(curlew_yard):
    damp = DAYS[4]
    covered = [(Work.COVERED, tree.name) for tree in curlew_yard.trees]
    assert Task.DRY in {each.task for each in advice_after(curlew_yard, damp)}
    assert Task.DRY not in {each.task for each in advice_after(curlew_yard, damp, *covered)}


def test_readings_that_speak_against_a_word_are_told_until_they_change(curlew_yard):
    day = DAYS[1]
    now = day.date.replace(hour=day.hour)
    said = frozenset({(Work.COVERED, tree.name) for tree in curlew_yard.trees})
    doubts = {
        (Task.COVER, "lemon"): "it cools like a bare tree",
        (Task.CHECK, "yuzu"): "it was heated for an hour and got no warmer",
        (Task.DRY, "satsuma-back"): "it loses more than it should",
    }
    found = advise(curlew_yard, day.forecast(curlew_yard), None, {}, now, said, doubts)
    told = {each.what: each for each in found}
    assert told["look at the fleece of lemon"].by == now
    assert told["look at the fleece of lemon"].because == "it cools like a bare tree"
    assert "look at the strings of yuzu" in told
    assert "change or dry the fleece of satsuma-back" in told
    assert not any(each.startswith("cover") for each in told), "the others are believed"
    without = advise(curlew_yard, day.forecast(curlew_yard), None, {}, now, said)
    assert not any(each.what.startswith("look at the fleece") for each in without)


def test_only_who_is_said_to_be_covered_is_uncovered_from_the_sun(curlew_yard):
    day = next(each for each in DAYS if each.covered)
    now = day.date.replace(hour=day.hour)
    said = frozenset({(Work.COVERED, "lemon")})
    found = advise(curlew_yard, day.forecast(curlew_yard), None, {}, now, said)
    assert [each.what for each in found if each.task is Task.UNCOVER] == ["take the fleece off lemon"]
    taken_off = said | {(Work.UNCOVERED, "lemon")}
    again = advise(curlew_yard, day.forecast(curlew_yard), None, {}, now, taken_off)
    assert Task.UNCOVER not in {each.task for each in again}
