"""How sure the model is of the air under fleece, by how far ahead: once for each model, not for each plan."""

from datetime import datetime

import numpy as np

from controller.physics import FloatArray
from controller.plan.slots import SLOT_S
from controller.site.model import Site
from controller.thermal.doubt import Doubt
from controller.thermal.drive import Inputs
from controller.thermal.inputs import deep_soil_temp_c
from controller.thermal.noise import Noise
from controller.thermal.parameters import Parameters
from controller.thermal.predict import initial_state
from controller.thermal.spread import spread

# A night to be unsure of: clear, calm, some degrees of frost.
OUTSIDE_C, SKY_DEPRESSION_K, WIND_M_S = -3.0, 18.0, 1.0
# An unlearnt house can be wrong by more than anybody plans for [K].
LARGEST_SPREAD_K = 1.5


def model_spread_k(
    site: Site, parameters: Parameters, noise: Noise, doubt: Doubt | None, now: datetime, slots: int = 96
) -> FloatArray:
    """Return the standard deviation of the least certain tree's air at the end of each slot ahead [K]."""
    count = parameters.tree_count
    inputs = Inputs(
        start_s=now.timestamp(),
        step_s=SLOT_S,
        outside_temp_c=np.full(slots, OUTSIDE_C),
        sky_depression_k=np.full(slots, SKY_DEPRESSION_K),
        wind_m_s=np.full(slots, WIND_M_S),
        sun_w_m2=np.zeros(slots),
        deep_temp_c=np.full(slots, deep_soil_temp_c(site, now)),
        vent_m3_s=np.zeros(slots),
        house_heat_w=np.zeros(slots),
        fleece_on=np.ones((slots, count), dtype=bool),
        string_w=np.zeros((slots, count)),
    )
    start = initial_state(
        parameters,
        house_temp_c=2.0,
        outside_temp_c=2.0,
        deep_temp_c=float(inputs.deep_temp_c[0]),
        tree_temp_c=[3.0] * count,
    )
    ahead = spread(parameters=parameters, noise=noise, start_mean=start, inputs=inputs, doubt=doubt)
    return np.asarray(np.minimum(ahead.tree_sd_k[1:].max(1), LARGEST_SPREAD_K))
