"""How sure the model is by how far ahead."""

import numpy as np

from controller.plan.certainty import LARGEST_SPREAD_K, model_spread_k
from controller.plan.plan import plan_of
from controller.thermal.doubt import doubt_of_handbook
from controller.thermal.noise import Noise
from controller.thermal.parameters import parameters_of
from tests.conftest import DUSK
from tests.plan.test_outlook import READINGS, forecast


def test_an_unlearnt_house_is_less_certain_and_no_more_than_planned_for(curlew_yard):
    parameters = parameters_of(curlew_yard)
    learnt = model_spread_k(curlew_yard, parameters, Noise(), None, DUSK)
    unlearnt = model_spread_k(curlew_yard, parameters, Noise(), doubt_of_handbook(5), DUSK)
    assert learnt.shape == (96,)
    assert (learnt > 0.0).all()
    assert (unlearnt >= learnt - 1e-9).all()
    assert unlearnt.max() == LARGEST_SPREAD_K


def test_an_uncertain_model_looks_at_a_colder_night(curlew_yard):
    lowest_c = [
        plan_of(
            curlew_yard, forecast(-6.0), READINGS, DUSK, model_spread_k=np.full(96, spread_k)
        ).course.outside_temp_c.min()
        for spread_k in (0.1, 1.5)
    ]
    # half a deviation of hypot(1.5, 0.9 x 1.2) against hypot(0.1, 0.9 x 1.2): 0.38 K
    assert 0.36 < lowest_c[0] - lowest_c[1] < 0.40
