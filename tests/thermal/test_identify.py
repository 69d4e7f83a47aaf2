"""What a record cannot tell, in words."""

import dataclasses

import numpy as np
from synthetic import NOISE, heater_step, house, played, weather

from controller.thermal import identify as module
from controller.thermal.house_fit import fit_house
from controller.thermal.identify import heated_at_length, identifiability

P = house(1)


def test_the_heater_step_ends_the_doubt_about_watts():
    passive, _ = played(P, NOISE, weather(7, 1), 1)
    stepped, _ = played(P, NOISE, heater_step(weather(7, 1), P.string_w, 4), 1)
    before = identifiability(fit_house(passive, P), passive)
    after = identifiability(fit_house(stepped, P), stepped)
    assert any("string watts and fleece loss cannot be told apart yet" in words for words in before)
    assert any("known in proportion only" in words for words in before)
    assert not any("string watts" in words or "proportion" in words for words in after)


def test_a_house_that_its_strings_hardly_warm_asks_for_a_heater_of_its_own():
    stepped, _ = played(P, NOISE, heater_step(weather(7, 1), P.string_w, 4), 1)
    warmed = heater_step(weather(7, 1), P.string_w, 4)
    warmed.house_heat_w[warmed.string_w[:, 0] > 0.0] = 3000.0
    warmed, _ = played(P, NOISE, warmed, 1)
    by_string, by_both = fit_house(stepped, P), fit_house(warmed, P)
    assert any("house_heater_w" in words for words in identifiability(by_string, stepped))
    assert not any("house_heater_w" in words for words in identifiability(by_both, warmed))
    # the loss at the winds that blew is known better than its part in calm air
    column = [knob.field for knob in by_both.knobs].index("house_loss_w_per_k")
    whole = module._house_loss_error(by_both, float(warmed.inputs.wind_m_s.mean()))
    assert 0.0 < whole < by_both.standard_error[column]


def test_pulses_are_no_step():
    on = np.zeros(288)
    on[100:150] = 350.0
    assert heated_at_length(on, 300.0)
    pulsed = on * (np.arange(288) % 2)
    assert not heated_at_length(pulsed, 300.0)
    assert not heated_at_length(np.zeros(288), 300.0)
    assert not heated_at_length(on[100:110], 300.0)


def test_a_tree_without_readings_is_the_handbook_s():
    record, _ = played(P, NOISE, heater_step(weather(4, 1), P.string_w, 2), 1)
    blind = dataclasses.replace(record, tree_temp_c=np.full_like(record.tree_temp_c, np.nan))
    assert "no reading of its air" in identifiability(fit_house(blind, P), blind)[0]


def test_heat_that_left_doubt_asks_for_cold_nights_and_a_mixed_up_sky_for_both_kinds():
    record, _ = played(P, NOISE, heater_step(weather(4, 1), P.string_w, 2), 1)
    found = fit_house(record, P)
    fields = [(knob.field, knob.tree) for knob in found.knobs]
    loss, sky = fields.index(("house_loss_w_per_k", None)), fields.index(("sky_loss_w_per_k", None))
    fleece = fields.index(("fleece_loss_w_per_k", 0))
    doubtful = np.array(found.covariance)
    doubtful[fleece, fleece] = 0.2**2
    doubtful[loss, sky] = doubtful[sky, loss] = 0.95 * np.sqrt(doubtful[loss, loss] * doubtful[sky, sky])
    words = identifiability(dataclasses.replace(found, covariance=doubtful), record)
    assert any("more cold, heated nights will tell" in line for line in words)
    assert any("loss to the air and loss to the sky" in line for line in words)


def test_what_the_record_says_nothing_of_is_named():
    record, _ = played(P, NOISE, weather(1, 1), 1)
    assert any("says nothing of" in words for words in identifiability(fit_house(record, P), record))
    found = fit_house(record, P)
    sure = dataclasses.replace(found, covariance=1e-6 * np.eye(len(found.knobs)))
    assert not any("says nothing of" in words for words in identifiability(sure, record))
