"""What circuits carry, by hand."""

import numpy as np
import pytest

from controller.plan.circuits import within_circuits


def site_of(site, *, breaker_a):
    """Return two trees, each with a string of 175 W on circuit a and one on b, and breakers of a size."""
    circuits = tuple(each.model_copy(update={"breaker_a": breaker_a}) for each in site.circuits)
    return site.model_copy(update={"trees": site.trees[:2], "circuits": circuits})


def test_added_heat_goes_to_the_tree_most_at_risk(curlew_yard):
    # 230 V x 1.5 A x 0.8 = 276 W on each circuit; both trees whole want 350 W of each, half of 700
    site = site_of(curlew_yard, breaker_a=1.5)
    power_w, held_w = np.array([[350.0, 350.0]]), np.array([[100.0, 100.0]])
    cut_w = within_circuits(site, power_w, held_w, np.array([5.0, 50.0]))
    assert cut_w == pytest.approx(np.array([[202.0, 350.0]]))
    other_w = within_circuits(site, power_w, held_w, np.array([50.0, 5.0]))
    assert other_w == pytest.approx(np.array([[350.0, 202.0]]))


def test_heat_that_holds_a_tree_is_never_cut(curlew_yard):
    site = site_of(curlew_yard, breaker_a=0.5)
    power_w = np.array([[350.0, 350.0]])
    held_w = np.array([[300.0, 340.0]])
    assert within_circuits(site, power_w, held_w, np.array([1.0, 2.0])) == pytest.approx(held_w)


def test_circuits_that_carry_everything_cut_nothing(curlew_yard):
    power_w = np.full((3, 5), 300.0)
    assert (within_circuits(curlew_yard, power_w, 0.0 * power_w, np.zeros(5)) == power_w).all()
    bare = curlew_yard.model_copy(update={"circuits": ()})
    assert (within_circuits(bare, power_w, 0.0 * power_w, np.zeros(5)) == power_w).all()
