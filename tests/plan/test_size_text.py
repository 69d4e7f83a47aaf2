"""The words of sizing."""

import json
import re
from dataclasses import replace

from controller.plan.size import size
from controller.plan.size_text import json_of, text_of
from controller.plan.winter import Winter

WINTER = Winter(
    source="an invented winter",
    frost_nights=12,
    outside_min_c=-6.5,
    energy_kwh=(5.0, 7.0),
    thermostat_kwh=(5.5, 7.7),
    cost=3.6,
    currency="EUR",
    price_per_kwh=0.3,
    cents_per_fruit=0.75,
)


def test_the_numbers_are_in_the_words(curlew_yard):
    found = size(curlew_yard, -9.0)
    text = text_of(curlew_yard, found, [("as it is", WINTER)])
    lemon = next(tree for tree in found.trees if tree.name == "lemon")
    assert f"lemon, held at 1 °C, needs {lemon.design_w:.0f} W and has 350 W" in text
    assert "W to spare, held down to -1" in text
    assert "1 circuit of 1840 W" in text
    assert re.search(r"one more layer of fleece on every tree: \d+ W, \d\d% less", text)
    assert "12 nights with frost, down to -6.5 °C, at 0.3 EUR for the mean kilowatt-hour" in text
    assert "as it is: 6.0 kWh a tree, 3.60 EUR for all, 0.8 hundredths of EUR a fruit" in text
    assert "by thermostats with a band of 0.5 K and today's strings: 6.6 kWh a tree" in text
    assert "licensed electrician" in text


def test_what_is_too_small_or_missing_is_said(curlew_yard):
    cold = text_of(curlew_yard, size(curlew_yard, -20.0))
    assert "W too few, held down to" in cold
    assert "2 circuits of" in cold
    tree = curlew_yard.trees[0].model_copy(update={"strings": ()})
    assert "and has no string" in text_of(
        curlew_yard, size(curlew_yard.model_copy(update={"trees": (tree,)}), -9.0)
    )
    weak = curlew_yard.trees[0].strings[0].model_copy(update={"power_w": 1.0})
    tree = curlew_yard.trees[0].model_copy(update={"strings": (weak,), "hold_c": 8.0})
    site = curlew_yard.model_copy(update={"trees": (tree,)})
    assert "not held even at 10 °C" in text_of(site, size(site, -9.0))


def test_a_change_that_costs_heat_would_be_called_more(curlew_yard):
    found = size(curlew_yard, -9.0)
    worse = replace(found, changes=(replace(found.changes[0], saved_share=-0.1),))
    assert "10% more" in text_of(curlew_yard, worse)


UNPRICED = replace(WINTER, cents_per_fruit=float("nan"))


def test_json_holds_the_same_and_no_nan(curlew_yard):
    tree = curlew_yard.trees[0].model_copy(update={"strings": (), "hold_c": 8.0})
    site = curlew_yard.model_copy(update={"trees": (tree,)})
    found = json.loads(json_of(size(site, -9.0), [("as it is", UNPRICED)]))
    assert found["sizing"]["trees"][0]["held_down_to_c"]["clear, calm"] is None
    assert found["winters"]["as it is"]["cents_per_fruit"] is None
    assert found["sizing"]["design_w"] > 0.0
    text = text_of(site, size(site, -9.0), [("as it is", UNPRICED)])
    assert "EUR for all\n" in text
