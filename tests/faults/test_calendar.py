"""The calendar's odd hours leave a night's decisions as they are: the core counts seconds, and all in UTC."""

from datetime import UTC, datetime, timedelta

import pytest

from controller.guard.decision import Reason
from controller.guard.now import Now
from controller.guard.state import begin
from tests.conftest import Drive


class Dated(Drive):
    """A keeper driven from another date on."""

    begins = datetime(2027, 1, 14, 23, 0, tzinfo=UTC)

    @property
    def now(self):
        return Now(mono_s=self.mono_s, utc=self.begins + timedelta(seconds=self.mono_s))


def decided(site, begins, cut_at=None):
    """Return what is decided on the lemon through three hours in which it cools to frost and warms again.

    ``cut_at`` is the minute at which the power fails for a moment, so that everything remembered is gone.
    """
    drive, told = Dated(site), []
    drive.begins = begins
    for minute in range(180):
        if minute == cut_at:
            drive.state = begin(site, "s2")
        drive.temps_c["air-lemon"] = 3.0 - 0.05 * minute if minute < 90 else -1.5 + 0.05 * (minute - 90)
        drive.step(60.0)
        told.append((drive.tree("lemon").active, drive.tree("lemon").reason))
    return told


@pytest.mark.parametrize(
    "begins",
    [
        pytest.param(datetime(2027, 3, 28, 0, 0, tzinfo=UTC), marks=pytest.mark.fault("C07")),
        pytest.param(datetime(2026, 10, 25, 0, 0, tzinfo=UTC), marks=pytest.mark.fault("C08")),
        pytest.param(datetime(2026, 12, 31, 22, 30, tzinfo=UTC), marks=pytest.mark.fault("C12")),
    ],
)
def test_clock_changes_and_the_turn_of_the_year_change_no_decision(curlew_yard, begins, met):
    usual = decided(curlew_yard, Dated.begins)
    assert decided(curlew_yard, begins) == usual
    assert {Reason.COLD, Reason.WARM_ENOUGH} <= {reason for _, reason in usual}
    met(reaction="none: every decision is as on any night", alarm="none: every decision is as on any night")


@pytest.mark.fault("P-23")
def test_a_power_cut_in_the_hour_that_comes_twice_is_a_cut_like_any_other(curlew_yard, met):
    autumn = datetime(2026, 10, 25, 0, 0, tzinfo=UTC)
    for minute in (30, 60, 90, 120):
        assert decided(curlew_yard, autumn, minute) == decided(curlew_yard, Dated.begins, minute)
    met(
        reaction="none: every decision is as after a cut on any night",
        alarm="none: every decision is as after a cut on any night",
    )
