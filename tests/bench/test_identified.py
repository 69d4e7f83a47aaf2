"""What a week tells of a house, with and without the evening's heater step, on houses that obey the model.

Run with ``pytest -m long tests/bench/test_identified.py -s``; ``RIMEWARD_SEEDS=40`` plays that many houses.

A house's loss is ``house_loss + house_wind_loss x wind``; what a grower calls the loss of a house is that at
the winds that blow, so it is judged at the record's mean wind, where it is known better than either part.
The air under a fleece follows its string within some minutes, so the record is one of two-minute steps.
"""

import os

import numpy as np
import pytest
from synthetic import heater_step, house, played, weather

from controller.thermal.fit import Problem, fit
from controller.thermal.knobs import UNSEEN, knobs_of, turned_once
from controller.thermal.noise import Noise

pytestmark = [pytest.mark.long, pytest.mark.timeout(3600)]

DAYS, STEP_DAY, TREES, SAMPLE_S = 7, 4, 5, 120.0
# A fan heater in the house's air in the same six hours, beside strings of 1.7 kW.
FAN_HEATER_W = 2000.0
SEEDS = int(os.environ.get("RIMEWARD_SEEDS", "20"))
# What a house strays from its model in an hour, and its weather from what it is told for days.
STRAYS = {
    "as assumed beforehand": Noise(),
    "half of that": Noise(house_k_per_root_h=0.25, tree_k_per_root_h=0.15, offset_k=0.5, sky_k=2.0),
}
NOISE = STRAYS["half of that"]


def loss_at(parameters, wind_m_s):
    return parameters.house_loss_w_per_k + wind_m_s * parameters.house_wind_loss_w_s_per_k_m


def weights(parameters, knobs, wind_m_s):
    """Return how the logarithm of the loss at a wind moves with each knob, (K,)."""
    parts = {
        "house_loss_w_per_k": parameters.house_loss_w_per_k,
        "house_wind_loss_w_s_per_k_m": wind_m_s * parameters.house_wind_loss_w_s_per_k_m,
    }
    return np.array([parts.get(knob.field, 0.0) for knob in knobs]) / loss_at(parameters, wind_m_s)


def knobs(trees):
    """Return what is turned in a real house: nothing sees fruit, which follow their tree."""
    seen = knobs_of(trees, bare_seen=False, sun_seen=True)
    return tuple(knob for knob in seen if knob.field not in UNSEEN)


def inputs_of(trees, stepped, seed, heater_w=0.0):
    inputs = weather(DAYS, trees, SAMPLE_S, seed=seed)
    if not stepped:
        return inputs
    inputs = heater_step(inputs, house(trees).string_w, STEP_DAY)
    inputs.house_heat_w[inputs.string_w[:, 0] > 0.0] = heater_w
    return inputs


def expected_errors(trees, noise, stepped, heater_w=0.0):
    """Return the relative standard errors to be expected, by name, at the handbook's numbers."""
    parameters, inputs = house(trees), inputs_of(trees, stepped, 1, heater_w)
    record, _ = played(parameters, noise, inputs, 1)
    problem = Problem(record, parameters, noise, knobs(trees))
    covariance = np.linalg.inv(problem.information(np.zeros(len(problem.knobs)))[2])
    part = weights(parameters, problem.knobs, float(inputs.wind_m_s.mean()))
    found = {"house loss at the mean wind": np.sqrt(part @ covariance @ part)}
    for knob, error in zip(problem.knobs, np.sqrt(np.diag(covariance)), strict=True):
        if not knob.of_noise and knob.tree in {None, 0}:
            found[knob.field] = error
    return found


# What is done on one evening: nothing, the strings' step, that and a heater in the house's air.
STEPS = {"none": (False, 0.0), "strings": (True, 0.0), "strings + 2 kW": (True, FAN_HEATER_W)}


def test_standard_errors_with_and_without_the_heater_step():
    heads = [(trees, name) for trees in (1, TREES) for name in STRAYS]
    columns = {
        (trees, name, step): expected_errors(trees, STRAYS[name], *how)
        for trees, name in heads
        for step, how in STEPS.items()
    }
    print("\nrelative standard errors [%] after 7 days: no step, 6 h of all strings, these and 2 kW")
    print(" " * 30, *(f"{trees} tree{'s' * (trees > 1)}, {name:22s}" for trees, name in heads))
    for number in next(iter(columns.values())):
        cells = ("".join(f"{100.0 * columns[*head, step][number]:6.0f}" for step in STEPS) for head in heads)
        print(f"  {number:28s}", *(f"{cell:31s}" for cell in cells))
    for head in heads:
        without, stepped = columns[*head, "none"], columns[*head, "strings"]
        assert stepped["fleece_loss_w_per_k"] < 0.02
        assert without["fleece_loss_w_per_k"] > 0.1
        assert columns[*head, "strings + 2 kW"][LOSS] < 0.5 * without[LOSS]
    assert columns[TREES, "half of that", "strings + 2 kW"][LOSS] < 0.06


NAMES = {"fleece_loss_w_per_k": "fleece loss", "tree_capacity_j_per_k": "tree capacity"}
LOSS = "house loss at the mean wind"


def errors_of(seed, heater_w):
    """Return, for one house drawn from the handbook's widths, (number, error, its sd), logarithms."""
    prior, rng, drawn = house(TREES), np.random.default_rng([seed, 77]), knobs(TREES)
    true = np.array([0.0 if knob.of_noise else knob.sd * rng.normal() for knob in drawn])
    truth = turned_once(prior, drawn, true)
    inputs = inputs_of(TREES, stepped=True, seed=seed, heater_w=heater_w)
    record, _ = played(truth, NOISE, inputs, seed)
    found = fit(record, prior, NOISE, knobs=drawn, read_every_s=0.0)
    wind_m_s = float(inputs.wind_m_s.mean())
    part = weights(found.parameters, found.knobs, wind_m_s)
    error = np.log(loss_at(found.parameters, wind_m_s) / loss_at(truth, wind_m_s))
    yield LOSS, error, np.sqrt(part @ found.covariance @ part)
    for column, knob in enumerate(found.knobs):
        if knob.field in NAMES:
            yield NAMES[knob.field], found.theta[column] - true[column], found.standard_error[column]


# Strings alone warm a house by 2 to 3 K, not much more than its weather strays by: of 20 houses (five-minute
# steps) the loss was within a tenth in 65 %, the trees' capacity in 86 %, and the search does not always end.
# With the fan heater it was 100 and 97 %: the aim of 90 % is met with that only.
@pytest.mark.parametrize(
    ("heater_w", "least"), [(0.0, 0.5), (FAN_HEATER_W, 0.9)], ids=["strings", "and 2 kW"]
)
def test_a_week_and_one_heater_step_tell_losses_and_capacity_within_a_tenth(heater_w, least):
    rows = [row for seed in range(SEEDS) for row in errors_of(seed, heater_w)]
    print(f"\n{SEEDS} houses drawn from the handbook's widths, {TREES} trees, 7 days and one 6 h step,")
    print(f"{heater_w:.0f} W in the house's air beside the strings")
    near, inside = {}, {}
    for name in (LOSS, *NAMES.values()):
        errors = np.array([(error, sd) for each, error, sd in rows if each == name])
        near[name] = np.mean(np.abs(np.expm1(errors[:, 0])) <= 0.1)
        inside[name] = np.mean(np.abs(errors[:, 0]) <= 1.6449 * errors[:, 1])
        print(f"  {name:28s} within 10 %: {near[name]:5.0%}; in its 90 % interval: {inside[name]:5.0%}")
    assert near["fleece loss"] >= 0.9
    assert near[LOSS] >= least
    if heater_w:
        assert near["tree capacity"] >= 0.9
        assert all(0.85 <= inside[name] <= 0.95 for name in NAMES.values())
        assert inside[LOSS] >= 0.8  # of 20 houses, one in twenty may lie where chance puts it
