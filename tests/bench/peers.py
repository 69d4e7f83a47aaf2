"""What a fitted transfer model is compared with: predictors that anyone could have, fitted to the same days.

Each takes a record, the end of its training days and starts, and returns predictions (S, 1+N) one lead later.
All may use the weather that came and the powers given, as the transfer model does.
"""

import numpy as np


def persistence(record, train, starts, steps):
    """What is read now stays."""
    return record.readings_c[starts]


def outside_and_constant(record, train, starts, steps):
    """The outside air and what the training days were warmer on average."""
    warmer = np.nanmean(record.readings_c[:train] - record.inputs.outside_temp_c[:train, np.newaxis], axis=0)
    return record.inputs.outside_temp_c[starts + steps][:, np.newaxis] + warmer


def regression(record, train, starts, steps):
    """Least squares on the reading now, the weather then, and its means over 1, 3 and 12 h before then."""
    inputs = record.inputs
    drivers = np.column_stack(
        [
            inputs.outside_temp_c,
            inputs.sky_depression_k,
            inputs.wind_m_s,
            inputs.wind_m_s * inputs.outside_temp_c,
            inputs.sun_w_m2,
            inputs.string_w,
        ]
    )
    sums = np.vstack([np.zeros(drivers.shape[1]), np.cumsum(drivers, axis=0)])
    per_hour = round(3600.0 / inputs.step_s)

    def features(at):
        then = at + steps
        means = [(sums[then] - sums[then - hours * per_hour]) / (hours * per_hour) for hours in (1, 3, 12)]
        return np.column_stack([np.ones(len(at)), record.readings_c[at], drivers[then], *means])

    learn = np.arange(12 * per_hour, train - steps)
    ridge = 1e-3 * len(learn)
    X, Y = features(learn), record.readings_c[learn + steps]
    scale = X.std(0) + 1e-9
    scale[0] = 1.0
    X = X / scale
    weights = np.linalg.solve(X.T @ X + ridge * np.eye(X.shape[1]) * (np.arange(X.shape[1]) > 0), X.T @ Y)
    return (features(starts) / scale) @ weights


PEERS = {
    "persistence": persistence,
    "outside + fitted constant": outside_and_constant,
    "linear regression": regression,
}
