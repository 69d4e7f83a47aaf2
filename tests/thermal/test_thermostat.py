"""Thermostats that jump from one switching to the next, against stepping through."""

import dataclasses

import numpy as np
import pytest
from synthetic import first_state, house, weather

from controller.thermal.model import FIRST_STRING, Stepper, trees
from controller.thermal.record import driven
from controller.thermal.thermostat import cycled


def stepped(parameters, start, inputs, on_c, off_c):
    """Return when strings are on, the naive way: state by state, thermostat by thermostat."""
    step, mode = Stepper(parameters, inputs.step_s).modes_of(inputs)
    u, x = driven(inputs), start
    heats = np.zeros(parameters.tree_count, dtype=bool)
    on = np.zeros((inputs.steps, parameters.tree_count), dtype=bool)
    for k in range(inputs.steps):
        air_c = x[trees(parameters.tree_count)]
        heats = np.where(heats, ~(air_c > off_c), air_c < on_c)
        on[k], u[k, FIRST_STRING:] = heats, heats * parameters.string_w
        x = step.Phi[mode[k]] @ x + step.Gamma[mode[k]] @ u[k]
    return on


@pytest.mark.parametrize("steady", [True, False])
def test_on_minutes_are_those_of_stepping_through(steady):
    parameters, inputs = house(2), weather(12, 2, 60.0, seed=5)
    if steady:  # one mode, so that the free house is found in blocks
        inputs = dataclasses.replace(inputs, wind_m_s=np.full(inputs.steps, 2.0))
    start, on_c = first_state(parameters), np.array([0.0, 1.0])
    found = cycled(parameters, start, inputs, on_c, on_c + 0.5)
    naive = stepped(parameters, start, inputs, on_c, on_c + 0.5)
    assert (found.on == naive).all()
    assert 100 < naive.sum(0).min() < naive.sum(0).max() < 0.8 * inputs.steps
    assert np.abs(np.diff(naive.astype(int), axis=0)).sum(0).min() > 50


def test_a_house_that_is_never_cold_is_never_heated():
    parameters, inputs = house(1), weather(3, 1, 60.0, seed=5)
    found = cycled(parameters, first_state(parameters), inputs, np.array([-40.0]), np.array([-39.5]))
    assert not found.on.any()
    step, mode = Stepper(parameters, 60.0).modes_of(inputs)
    x = first_state(parameters)
    for k in range(inputs.steps):
        assert found.free_c[k, 0] == pytest.approx(x[trees(1)][0], abs=1e-9)
        x = step.Phi[mode[k]] @ x + step.Gamma[mode[k]] @ driven(inputs)[k] if k < 50 else x
        if k == 50:
            break


def test_strings_too_weak_stay_on():
    parameters = dataclasses.replace(house(1), string_w=np.array([1.0]))
    inputs = weather(2, 1, 60.0, seed=5)
    found = cycled(parameters, first_state(parameters), inputs, np.array([30.0]), np.array([30.5]))
    assert found.on.all()
