import dataclasses

import numpy as np
import pytest
from synthetic import NOISE, first_state, house, weather

from controller.thermal.doubt import Doubt, doubt_of_handbook
from controller.thermal.knobs import Knob, turned_once
from controller.thermal.predict import Heat, predict
from controller.thermal.spread import spread

P = house(2)
NIGHT = weather(1.0, 2, seed=4)
BLOWN = dataclasses.replace(NIGHT, fleece_on=NIGHT.fleece_on & (np.arange(NIGHT.steps) < 150)[:, np.newaxis])


def ahead(**changes):
    asked = {"parameters": P, "noise": NOISE, "start_mean": first_state(P), "inputs": NIGHT, **changes}
    return spread(**asked)


def sd_of_scatter(knobs, turns, inputs):
    """The same spread by predicting with many turned houses."""
    many = [predict(turned_once(P, knobs, turn), first_state(P), inputs, Heat.GIVEN).states for turn in turns]
    return np.std(many, axis=0)


def test_doubt_about_a_number_is_the_scatter_of_houses_that_differ_in_it():
    knobs = (
        Knob(field="house_loss_w_per_k", sd=0.3),
        Knob(field="fleece_loss_w_per_k", sd=0.4, tree=1),
        Knob(field="bare_loss_w_per_k", sd=0.4, tree=0),
    )
    covariance = np.array([[0.02, 0.012, 0.0], [0.012, 0.03, 0.0], [0.0, 0.0, 0.04]])
    turns = np.random.default_rng(1).multivariate_normal(np.zeros(3), covariance, 400)
    none = np.zeros((len(first_state(P)),) * 2)
    plain = ahead(inputs=BLOWN, start_covariance=none)
    doubted = ahead(inputs=BLOWN, start_covariance=none, doubt=Doubt(knobs=knobs, covariance=covariance))
    added = np.sqrt(np.maximum(doubted.sd**2 - plain.sd**2, 0.0))
    assert added[200:] == pytest.approx(sd_of_scatter(knobs, turns, BLOWN)[200:], rel=0.15, abs=0.01)
    assert doubted.mean == pytest.approx(plain.mean)


def test_the_handbook_is_doubted_in_every_number_of_the_house():
    doubt = doubt_of_handbook(2)
    assert len(doubt.knobs) == 10 + 2 * 8
    wide, plain = ahead(doubt=doubt), ahead()
    assert (wide.house_sd_k[1:] > plain.house_sd_k[1:]).all()
    assert (wide.tree_sd_k[1:] > plain.tree_sd_k[1:]).all()
    assert (wide.fruit_sd_k[2:] > plain.fruit_sd_k[2:]).all()
    assert wide.tree_sd_k.shape == wide.fruit_sd_k.shape == (NIGHT.steps + 1, 2)


def test_an_unsure_forecast_widens_as_the_house_follows_the_outside():
    sure, unsure = ahead(), ahead(outside_sd_k=np.full(NIGHT.steps, 2.0))
    warmer = dataclasses.replace(NIGHT, outside_temp_c=NIGHT.outside_temp_c + 2.0)
    moved = ahead(inputs=warmer).mean - sure.mean
    assert unsure.sd == pytest.approx(np.sqrt(sure.sd**2 + moved**2), abs=1e-9)


def test_without_a_covariance_the_probes_have_just_been_read():
    plain = ahead()
    assert plain.house_sd_k[0] == plain.tree_sd_k[0, 1] == NOISE.probe_k
    assert plain.fruit_sd_k[0, 0] == 3.0


def test_members_may_differ_in_the_wind_and_are_doubted_at_their_middle():
    members = dataclasses.replace(
        NIGHT,
        wind_m_s=NIGHT.wind_m_s + np.array([[0.0], [2.0]]),
        outside_temp_c=NIGHT.outside_temp_c + np.array([[-1.0], [1.0]]),
        fleece_on=np.stack([NIGHT.fleece_on, NIGHT.fleece_on]),
    )
    mixed = ahead(inputs=members, doubt=doubt_of_handbook(2))
    assert (mixed.house_sd_k[5:] > ahead(doubt=doubt_of_handbook(2)).house_sd_k[5:]).all()


def test_the_chance_of_crossing_a_limit_is_that_of_the_worst_time():
    plain = ahead()
    chances = plain.chance_below(0.0)
    assert chances.house == plain.below(0.0)[:, 0].max()
    assert chances.tree.shape == chances.fruit.shape == (2,)
    low, high = plain.chance_below(-20.0), plain.chance_below(30.0)
    assert low.house < 1e-6
    assert (high.fruit > 1.0 - 1e-6).all()
