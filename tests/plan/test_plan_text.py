"""The plan in words, letters, JSON and a picture."""

import json
from datetime import timedelta

import pytest

from controller.errors import RimewardError
from controller.plan.advice import advise
from controller.plan.plan import plan_of
from controller.plan.plan_text import json_of, text_of
from controller.report.plan_picture import draw
from tests.plan.test_outlook import READINGS, forecast
from tests.plan.test_plan import LATE


@pytest.fixture(scope="module")
def hard(curlew_yard):
    return plan_of(curlew_yard, forecast(-12.0), READINGS, LATE)


def test_words_and_chart(curlew_yard, hard):
    text = text_of(curlew_yard, hard)
    assert text.startswith("Curlew Yard, Thursday 21:00: from Fri")
    assert "because its strings will be too small from" in text
    assert f"about {hard.energy_kwh:.1f} kWh ({hard.cost:.2f} EUR)" in text
    assert "licensed electrician" in text
    chart = [line for line in text.splitlines() if line.startswith("  Fri 0")]
    assert len(chart) == 10
    assert max(line.count("#") for line in chart) == round(sum(t.power_w for t in curlew_yard.trees) / 100)


def test_every_time_is_the_place_s_own(curlew_yard, hard):
    place = curlew_yard.place.model_copy(update={"time_zone": "Pacific/Auckland"})
    text = text_of(curlew_yard.model_copy(update={"place": place}), hard)
    first = min(tree.short_from for tree in hard.trees.values())
    # New Zealand daylight time is 13 h ahead of UTC in January
    local = first + timedelta(hours=13)
    assert text.startswith(f"Curlew Yard, Friday 10:00: from {local:%a %H:%M} the strings are too small")
    assert f"too small from {local:%a %H:%M}" in text
    assert "UTC" not in text
    assert f"from {first:%a %H:%M} UTC" in hard.sentence


def test_advice_stands_above_the_chart(curlew_yard, hard):
    advice = advise(curlew_yard, forecast(-12.0), hard, READINGS, LATE)
    text = text_of(curlew_yard, hard, advice)
    assert text.index("harvest what is ripe on every tree, at once") < text.index("coldest tree")
    assert {each["task"] for each in json.loads(json_of(hard, advice))["advice"]} >= {"check", "harvest"}


def test_a_night_that_can_be_held_asks_nothing_ahead(curlew_yard):
    text = text_of(curlew_yard, plan_of(curlew_yard, forecast(-5.0), READINGS, LATE))
    assert "none needs warming ahead" in text
    assert "For hands" not in text


def test_json(hard):
    found = json.loads(json_of(hard))
    assert found["made_at"] == "2027-01-14T21:00:00+00:00"
    assert found["sentence"] == hard.sentence
    assert len(found["course"]["at_s"]) == len(found["trees"]["lemon"]["floor_c"]) == 96


def test_picture(curlew_yard, hard, tmp_path):
    draw(curlew_yard, hard, tmp_path / "plan.png")
    assert (tmp_path / "plan.png").read_bytes().startswith(b"\x89PNG")
    with pytest.raises(RimewardError, match="cannot be written"):
        draw(curlew_yard, hard, tmp_path / "no" / "plan.png")


def test_without_matplotlib_it_says_what_to_install(curlew_yard, hard, tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "matplotlib.figure", None)
    with pytest.raises(RimewardError, match="pip install"):
        draw(curlew_yard, hard, tmp_path / "plan.png")
