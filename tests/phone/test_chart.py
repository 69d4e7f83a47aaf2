"""The picture: what it draws, and that figures stand beside it."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

from controller.phone.chart import LEFT, RIGHT, WIDTH, chart_of
from controller.phone.figures import figures_of
from controller.phone.history import NOTHING
from controller.site.model import Phone
from tests.conftest import DUSK
from tests.phone.conftest import status_for, with_outlook

S = DUSK.timestamp()
HISTORY = replace(
    NOTHING,
    probes_c={
        "outside": ((S - 7200, 3.0), (S - 6600, 2.8), (S - 600, 1.0)),
        "house": ((S - 600, 2.0),),
        "air-lemon": ((S - 1200, 4.0), (S - 600, 3.5)),
    },
    heated={"lemon": ((S - 90000, S - 80000), (S - 3600, S - 1800))},
)


def chart(site, history=HISTORY, coming=None):
    return chart_of(site, history, coming, figures_of(site), DUSK)


def parts(drawn, css):
    return [e for e in ET.fromstring(drawn.svg) if e.get("class") == css]


def test_nothing_to_draw(curlew_yard):
    assert chart(curlew_yard, NOTHING) is None


def test_the_past_alone(curlew_yard):
    drawn = chart(curlew_yard)
    (outside,) = parts(drawn, "line outside")
    assert outside.get("d").count("M") == 2, "a gap in the readings is left blank"
    (heated,) = parts(drawn, "heated")
    assert float(heated.get("width")) == pytest.approx((WIDTH - LEFT - RIGHT) * 0.5 / 62, abs=0.2)
    assert drawn.heads == ("time", "outside", "house", "lemon, air")
    assert "Outside: 1.0 °C to 3.0 °C" in drawn.says


def test_open_vents_are_a_strip_of_their_own_and_said(curlew_yard):
    aired = {"gable-fan": ((S - 90000, S - 80000), (S - 7200, S - 1800))}
    drawn = chart(curlew_yard, replace(HISTORY, aired=aired))
    (bar,) = parts(drawn, "aired")
    assert float(bar.get("width")) == pytest.approx((WIDTH - LEFT - RIGHT) * 1.5 / 62, abs=0.2)
    assert float(bar.get("y")) > float(parts(drawn, "heated")[0].get("y"))
    assert drawn.says.endswith("Vents were open for 1.5 h.")
    assert "Vents" not in chart(curlew_yard).says
    without = curlew_yard.model_copy(update={"vents": ()})
    assert "vents" not in [e.text for e in ET.fromstring(chart(without).svg)]


def test_the_coming_hours_with_band_limit_and_expected_heat(drive):
    status_for(drive)
    with_outlook(drive)
    coming = status_for(drive).coming
    spread_k = tuple(1.0 for _ in coming.outside_c)
    drawn = chart(drive.site, coming=coming.model_copy(update={"outside_spread_k": spread_k}))
    assert len(parts(drawn, "band")) == 1
    assert len(parts(drawn, "line tree ahead")) == 1
    assert 1 <= len(parts(drawn, "heated ahead")) <= 3
    labels = [e.text for e in ET.fromstring(drawn.svg) if e.tag == "text"]
    assert any(label.startswith("held at") for label in labels)
    assert "now" in labels
    assert any("(expected)" in row[0] for row in drawn.rows)
    for element in ET.fromstring(drawn.svg).iter():
        assert "style" not in element.attrib, "the policy lets no style through"
        if element.get("points"):
            for pair in element.get("points").split():
                assert LEFT - 10 <= float(pair.split(",")[0]) <= WIDTH


def test_without_spread_there_is_no_band(drive):
    status_for(drive)
    with_outlook(drive)
    assert parts(chart(drive.site, coming=status_for(drive).coming), "band") == []


def test_a_name_cannot_become_markup(curlew_yard):
    trees = tuple(
        t.model_copy(update={"name": '<b>"&'}) if t.name == "lemon" else t for t in curlew_yard.trees
    )
    drawn = chart(curlew_yard.model_copy(update={"trees": trees}))
    assert "<b>" not in drawn.svg
    assert ET.fromstring(drawn.svg).get("aria-label").count('<b>"&') == 1


def test_other_units(curlew_yard):
    site = curlew_yard.model_copy(update={"phone": Phone(temperature="fahrenheit", clock="12-hour")})
    labels = [e.text for e in ET.fromstring(chart(site).svg) if e.tag == "text"]
    assert "°F" in labels
    assert "noon" in labels
