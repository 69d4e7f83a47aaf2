"""Troubles of services as findings, and alarms as the status shows them."""

import math

import pytest

from controller.alarm.engine import Alarm
from controller.alarm.services import FORECAST_OLD_S, Troubles, found_in
from controller.alarm.status import MOST_SHOWN, alarms_for_status
from controller.guard.finding import FindingCode
from tests.alarm.test_engine import COLD, EVENING


def test_nothing_wrong_is_nothing_found():
    assert found_in(Troubles()) == ()
    assert Troubles().notices == ()


@pytest.mark.parametrize("service", ["site", "forecast", "plan", "model", "journal", "broker", "alarm"])
def test_each_service_s_trouble_is_a_finding_of_its_own(service):
    troubles = Troubles(**{service: "it is broken"})
    (one,) = found_in(troubles)
    assert str(one.code) == {"site": "site-file-trouble", "forecast": "no-forecast"}.get(
        service, f"{service}-trouble"
    )
    assert one.because == "it is broken"
    assert troubles.notices == ("it is broken",)


@pytest.mark.parametrize(
    ("trouble", "age_s", "severities"),
    [
        ("", FORECAST_OLD_S, []),
        ("the first service is down", 3600.0, [1]),  # an outlook stands: shown, not sent
        ("all services are down", FORECAST_OLD_S + 1.0, [2]),
        ("", math.inf, [2]),
    ],
)
def test_a_forecast_that_fails_matters_once_the_night_is_unforeseen(trouble, age_s, severities):
    found = found_in(Troubles(forecast=trouble, outlook_age_s=age_s))
    assert [each.severity for each in found] == severities
    assert {each.code for each in found} <= {FindingCode.NO_FORECAST}


def test_the_status_shows_the_worst_and_has_an_end():
    alarm = Alarm(finding=COLD, began=EVENING, began_s=0.0, seen_s=0.0, worst=4, raised_s=1.0)
    shown = alarms_for_status((alarm,) * (MOST_SHOWN + 5))
    assert len(shown) == MOST_SHOWN
    assert (shown[0].key, shown[0].stage) == ("fruit-in-danger.lemon", "unacknowledged")
    assert shown[0].since == EVENING
