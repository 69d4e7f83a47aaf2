import dataclasses

import numpy as np
import pytest
from synthetic import NOISE, house, played, weather

from controller.thermal.model import sky_chill_k
from controller.thermal.record import driven, filled

P = house(2)
RECORD, _ = played(P, NOISE, weather(1), 1)


def test_a_part_begins_where_it_says():
    part = RECORD.part(10, 50)
    assert part.steps == 40
    assert part.inputs.start_s == RECORD.inputs.start_s + 3000.0
    assert (part.readings_c == RECORD.readings_c[10:50]).all()
    assert (part.inputs.wind_m_s == RECORD.inputs.wind_m_s[10:50]).all()


def test_holes_are_bridged_along_time():
    inputs = RECORD.inputs
    holed = dataclasses.replace(
        inputs,
        outside_temp_c=inputs.outside_temp_c.copy(),
        sun_w_m2=np.full(inputs.steps, np.nan),
        string_w=np.full_like(inputs.string_w, np.nan),
    )
    holed.outside_temp_c[:] = np.nan
    holed.outside_temp_c[[10, 20]] = 1.0, 3.0
    whole = filled(holed)
    assert whole.outside_temp_c[15] == pytest.approx(2.0)
    assert whole.outside_temp_c[-1] == 3.0
    assert (whole.sun_w_m2 == 0.0).all()
    assert (whole.string_w == 0.0).all()
    nothing = filled(dataclasses.replace(inputs, outside_temp_c=np.full(inputs.steps, np.nan)))
    assert np.isnan(nothing.outside_temp_c).all()


def test_inputs_stand_in_the_order_of_the_model():
    u = driven(RECORD.inputs)
    assert u.shape == (288, 7)
    assert (u[:, 0] == RECORD.inputs.outside_temp_c).all()
    assert u[:, 1] == pytest.approx(sky_chill_k(RECORD.inputs.sky_depression_k, RECORD.inputs.wind_m_s))
    assert (u[:, 3] == 8.0).all()
    assert (u[:, 5:] == RECORD.inputs.string_w).all()
