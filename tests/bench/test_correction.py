"""The site's correction on real weather with an invented, regime-dependent error, against its rivals.

Run whole with ``pytest -m long tests/bench/test_correction.py -s``; the suite plays one record.
"""

import resource
import time

import numpy as np
import pytest
from scipy.optimize import minimize

from controller.weather.correction import SiteCorrection
from controller.weather.regime import Regime, regime_of
from controller.weather.scores import crps_gaussian
from tests.bench.weather_records import HOURS_AHEAD, forecasts, german, newark, sand_point

RUNS_A_DAY = 4
NIGHTS_30 = 30 * RUNS_A_DAY
# Nearer hours know the present reading, which the rivals do not; they are left out of every score here.
FIRST_LEAD = 6
# A night is judged by the run of noon: from 18 to 9 o'clock.
NOON_RUN, NIGHT = 2, slice(6, 22)
# The runs that have verified whole when a run is issued.
VERIFIED = 9
RECORDS = {
    "TRY01": lambda: german(1),
    "TRY03": lambda: german(3),
    "TRY12": lambda: german(12),
    "Sand Point": sand_point,
    "Newark": newark,
}


def _at(regime, index):
    return Regime(regime.night[index], regime.radiating[index], regime.still[index])


def replay(record, issued):
    """Return mean and spread of every corrected run, and the chance of frost that each noon's run gives."""
    learned = SiteCorrection()
    index = issued.issued[:, None] + np.arange(HOURS_AHEAD)
    at_s, leads = record.at_s[index], np.arange(HOURS_AHEAD, dtype=float)
    regime = regime_of(
        at_s,
        record.place,
        temp_c=issued.temp_c,
        dew_point_c=issued.dew_point_c,
        wind_m_s=issued.wind_m_s,
        cloud_frac=issued.cloud_frac,
    )
    mean, spread = np.empty(index.shape), np.empty(index.shape)
    chance = np.full(len(index), np.nan)
    for run, begin in enumerate(issued.issued):
        for hour in range(max(0, begin - 5), begin + 1):
            runs = np.arange(max(0, hour // 6 - 7), hour // 6 + 1)
            ahead = hour - issued.issued[runs]
            learned.learn(
                record.at_s[hour],
                ahead.astype(float),
                issued.temp_c[runs, ahead],
                _at(regime, (runs, ahead)),
                record.temp_c[hour],
            )
        out = learned.correct(
            at_s[run],
            leads,
            issued.temp_c[run],
            _at(regime, run),
            observed_c=record.temp_c[begin],
            observed_at_s=record.at_s[begin],
        )
        mean[run], spread[run] = out.mean_c, out.spread_k
        if run % RUNS_A_DAY == NOON_RUN:
            chance[run] = out.chance_lowest_below(0.0, at_s[run, NIGHT.start], at_s[run, NIGHT.stop - 1])
    return mean, spread, chance, index


def rivals(issued, observed):
    """Return the CRPS of each rival by run and lead; each but 'raw' and 'hindsight' knows only the past."""
    forecast, error = issued.temp_c, issued.temp_c - observed
    scores = {"raw": crps_gaussian(forecast, np.sqrt((error**2).mean(axis=0)), observed)}
    mean, mean_spread = np.zeros(error.shape), np.full(error.shape, 1.8)
    slid, slid_spread = forecast.copy(), np.full(error.shape, 1.8)
    for run in range(len(forecast)):
        done = run - VERIFIED
        if done > NIGHTS_30 // 2:
            mean[run], mean_spread[run] = error[:done].mean(axis=0), error[:done].std(axis=0)
            past = slice(max(0, done - 60 * RUNS_A_DAY), done)
            x, y = forecast[past], observed[past]
            slope = ((x - x.mean(0)) * (y - y.mean(0))).sum(0) / ((x - x.mean(0)) ** 2).sum(0)
            slid[run] = y.mean(0) + slope * (forecast[run] - x.mean(0))
            slid_spread[run] = (y - y.mean(0) - slope * (x - x.mean(0))).std(axis=0)
    scores["mean bias"] = crps_gaussian(forecast - mean, mean_spread, observed)
    scores["sliding 60 d"] = crps_gaussian(slid, slid_spread, observed)
    scores["static EMOS 30 d"] = emos(forecast, observed, slice(0, NIGHTS_30))
    scores["static EMOS in hindsight"] = emos(forecast, observed, slice(0, None))
    return scores


def emos(forecast, observed, taught):
    """Fit N(a + b f, c²) by least CRPS at each sixth lead; leads between use the one before."""
    scores = np.empty(forecast.shape)
    for lead in range(HOURS_AHEAD):
        if lead % 6 == 0:
            x, y = forecast[taught, lead], observed[taught, lead]
            fit = minimize(
                lambda p, x=x, y=y: crps_gaussian(p[0] + p[1] * x, np.exp(p[2]), y).mean(),
                [0.0, 1.0, 0.5],
                method="Nelder-Mead",
            )
        a, b, log_spread = fit.x
        scores[:, lead] = crps_gaussian(a + b * forecast[:, lead], np.exp(log_spread), observed[:, lead])
    return scores


def figures(record, seed=1):
    issued = forecasts(record, seed)
    mean, spread, chance, index = replay(record, issued)
    observed = record.temp_c[index]
    far = slice(FIRST_LEAD, None)
    ours = crps_gaussian(mean, spread, observed)
    scores = {name: s[NIGHTS_30:, far].mean() for name, s in rivals(issued, observed).items()}
    raw = rivals_raw(issued, observed)
    windows = [
        ours[i : i + NIGHTS_30, far].mean() / raw[i : i + NIGHTS_30, far].mean()
        for i in range(0, len(ours) - NIGHTS_30, RUNS_A_DAY)
    ]
    plain = np.abs(issued.temp_c - observed)
    as_issued = [
        ours[i : i + NIGHTS_30, far].mean() / plain[i : i + NIGHTS_30, far].mean()
        for i in range(0, len(ours) - NIGHTS_30, RUNS_A_DAY)
    ]
    inside = (np.abs(observed - mean) < 1.6449 * spread)[NIGHTS_30:, far].mean()
    frost = observed[:, NIGHT].min(axis=1) < 0.0
    judged = np.isfinite(chance)
    judged[:NIGHTS_30] = False
    return {
        "ours": ours[NIGHTS_30:, far].mean(),
        **scores,
        "worst 30 nights": max(windows),
        "worst 30 nights, raw as issued": max(as_issued),
        "inside 90 %": inside,
        "frost nights": int((frost & judged).sum()),
        "missed at 1 %": int((frost & judged & (chance < 0.01)).sum()),
        "false at 1 %": int((~frost & judged & (chance >= 0.01)).sum()),
        "nights": int(judged.sum()),
        "raw missed": int((frost & judged & (issued.temp_c[:, NIGHT].min(axis=1) >= 0.0)).sum()),
    }


def rivals_raw(issued, observed):
    return crps_gaussian(issued.temp_c, np.sqrt(((issued.temp_c - observed) ** 2).mean(axis=0)), observed)


def check(found):
    assert found["ours"] < 0.90 * found["raw"]
    # The raw forecast as issued says no spread.  The other raw is given the spread that its errors turn out
    # to have over the year, which no forecaster knows; against that one, 1 play of 15 came to 1.025.
    assert found["worst 30 nights, raw as issued"] < 1.02
    assert found["worst 30 nights"] < 1.03
    assert 0.87 < found["inside 90 %"] < 0.93
    assert found["missed at 1 %"] == 0
    for rival in ("mean bias", "sliding 60 d", "static EMOS 30 d", "static EMOS in hindsight"):
        assert found["ours"] < found[rival]


def test_on_a_coast_it_is_ahead_of_every_rival():
    found = figures(german(1))
    print(found)
    check(found)


@pytest.mark.long
@pytest.mark.parametrize("seed", [7, 8, 9])
@pytest.mark.parametrize("name", RECORDS)
def test_on_every_record_it_is_ahead_of_every_rival(name, seed):
    found = figures(RECORDS[name](), seed)
    print(name, seed, {k: round(float(v), 3) for k, v in found.items()})
    check(found)


@pytest.mark.long
def test_a_year_of_hourly_corrections_is_cheap():
    record = german(1)
    issued = forecasts(record)
    index = issued.issued[:, None] + np.arange(HOURS_AHEAD)
    regime = regime_of(
        record.at_s[index],
        record.place,
        temp_c=issued.temp_c,
        cloud_frac=issued.cloud_frac,
        wind_m_s=issued.wind_m_s,
    )
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begin_s = time.process_time()
    learned, leads = SiteCorrection(), np.arange(HOURS_AHEAD, dtype=float)
    for hour in range(48, 8700):
        runs = hour // 6 - np.array([0, 1, 2, 4, 7])
        ahead = hour - issued.issued[runs]
        learned.learn(
            record.at_s[hour],
            ahead.astype(float),
            issued.temp_c[runs, ahead],
            _at(regime, (runs, ahead)),
            record.temp_c[hour],
        )
        run = runs[0]
        learned.correct(
            record.at_s[index[run]],
            leads + ahead[0],
            issued.temp_c[run],
            _at(regime, run),
            observed_c=record.temp_c[hour],
            observed_at_s=record.at_s[hour],
        )
    spent_s = time.process_time() - begin_s
    grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb) / 1024.0
    print(f"{spent_s:.2f} s, {grown_mb:.0f} MB more")
    assert spent_s < 2.0
    assert grown_mb < 60.0
