"""Synthetic truth for the tests of filter and fit: weather and a house whose noise is the model's own."""

import numpy as np

from controller.site.load import example_site, load_site
from controller.thermal.drive import Inputs
from controller.thermal.model import Stepper, state_count
from controller.thermal.noise import Noise, intensity, output_matrix
from controller.thermal.parameters import parameters_of
from controller.thermal.predict import initial_state
from controller.thermal.record import Record, driven

_SITE = load_site(example_site("curlew-yard"))


def house(trees=2):
    """Return the handbook's numbers of Curlew Yard with its first trees."""
    return parameters_of(_SITE.model_copy(update={"trees": _SITE.trees[:trees]}))


def weather(days, trees=2, step_s=300.0, seed=0):
    """Return invented maritime winter weather, fleece on, strings off."""
    rng = np.random.default_rng(seed)
    steps = int(days * 86400 / step_s)
    at_h = np.arange(steps) * step_s / 3600.0
    hours = np.arange(int(days * 24) + 2)

    def wander(sd, memory_h):
        keep, values = np.exp(-1.0 / memory_h), np.zeros(len(hours))
        for k in range(1, len(hours)):
            values[k] = keep * values[k - 1] + sd * np.sqrt(1.0 - keep**2) * rng.normal()
        return np.interp(at_h, hours, values)

    cloud = np.clip(0.5 + 0.5 * wander(1.0, 15.0), 0.0, 1.0)
    sun = np.maximum(0.0, 300.0 * np.cos((at_h - 12.0) * np.pi / 12.0) - 80.0) * (1.0 - 0.75 * cloud)
    swing = 3.0 * (1.0 - cloud) * np.cos((at_h - 15.0) * np.pi / 12.0)
    return Inputs(
        start_s=1.7e9,
        step_s=step_s,
        outside_temp_c=3.0 + wander(3.0, 40.0) + swing,
        sky_depression_k=22.0 - 18.0 * cloud,
        wind_m_s=np.abs(2.5 + 2.0 * wander(1.0, 6.0)),
        sun_w_m2=sun,
        deep_temp_c=np.full(steps, 8.0),
        vent_m3_s=np.zeros(steps),
        house_heat_w=np.zeros(steps),
        fleece_on=np.ones((steps, trees), dtype=bool),
        string_w=np.zeros((steps, trees)),
    )


def heater_step(inputs, power_w, day, hours=6.0):
    """Return inputs with all strings on from 18:00 of a day."""
    begin = int((day * 24 + 18) * 3600 / inputs.step_s)
    inputs.string_w[begin : begin + int(hours * 3600 / inputs.step_s)] = power_w
    return inputs


def first_state(parameters):
    """Return the state that ``played`` begins with."""
    return initial_state(parameters, house_temp_c=4.0, outside_temp_c=3.0, deep_temp_c=8.0)


def played(parameters, noise, inputs, seed):
    """Return a record of a house that obeys the model with its noise, and its true states."""
    rng = np.random.default_rng(seed)
    count = parameters.tree_count
    n = state_count(count)
    step, mode = Stepper(parameters, inputs.step_s, intensity(noise, count)).modes(
        inputs.wind_m_s, inputs.vent_m3_s, inputs.fleece_on, inputs.sun_w_m2
    )
    root = np.linalg.cholesky(step.Q + 1e-16 * np.eye(n))
    u, x = driven(inputs), first_state(parameters)
    states = np.empty((inputs.steps, n))
    for k in range(inputs.steps):
        states[k] = x
        x = step.Phi[mode[k]] @ x + step.Gamma[mode[k]] @ u[k] + root[mode[k]] @ rng.normal(size=n)
    y = states @ output_matrix(count).T
    y += noise.probe_k * rng.normal(size=y.shape)
    return Record(inputs=inputs, house_temp_c=y[:, 0], tree_temp_c=y[:, 1:]), states


NOISE = Noise()
