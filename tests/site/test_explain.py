"""What `rimeward check` says."""

from datetime import time

from controller.guard.warming import CLOSED_C
from controller.site.explain import FROST_STAT_C, explain
from controller.site.load import example_site, load_site, parse_site

SAID = explain(load_site(example_site("curlew-yard")))


def test_it_says_the_load_of_each_circuit_against_its_limit():
    # 5 strings of 175 W; 230 V x 10 A x 0.8 (NEC 210.20(A): 80 % for continuous loads)
    assert "a: 875 W = 3.8 A of 10 A at 230 V on L1; 1840 W allowed (80% for loads of hours)" in SAID


def test_it_says_what_each_output_does_when_the_controller_dies():
    assert (
        "every heater comes on by itself within 300 s and stays on, save as said next: at most 1700 W" in SAID
    )
    assert "east/4 (resting contact): heats lemon" in SAID
    assert "east/6 (working contact): vent gable-fan shuts or stops" in SAID


def test_it_says_which_boards_may_rest_heaters_by_themselves():
    # five strings of 175 W hang on it
    assert "board east has a thermostat of its own: those of its heaters (875 W)" in SAID
    assert "board west has" not in SAID
    text = example_site("curlew-yard").read_text().replace("own_thermostat = true", "own_thermostat = false")
    said = explain(parse_site(text))
    assert "every heater comes on by itself within 300 s and stays on: 1700 W" in said
    assert "has a thermostat" not in said


def test_it_warns_where_a_frost_stat_may_be_set_below_what_a_tree_is_held_at():
    assert FROST_STAT_C == CLOSED_C
    assert "frost-stats of" not in SAID
    text = example_site("tussock-bay").read_text()
    said = explain(parse_site(text.replace("hold_c = 0.5", "hold_c = 2.5")))
    assert "set the frost-stats of yuzu to some 4.5 °C, 2 K above its hold temperature" in said
    assert "frost-stats of lemon" not in said
    assert "frost-stats of" not in explain(parse_site(text.replace("hold_c = 0.5", "hold_c = 2.0")))
    by_risk = explain(parse_site(text.replace("hold_c = 0.5", 'hold_c = 2.0\nhold = "risk"')))
    assert "set the frost-stats of yuzu to some 6 °C" in by_risk


def test_it_says_each_tree_s_hold_temperature_and_whence_it_comes():
    assert "lemon: lemon under 2 layers of 30g fleece" in SAID
    assert "held above 1 °C (common practice for this kind)" in SAID
    assert "where these limits come from:" in SAID


def test_it_carries_the_cautions():
    assert "licensed electrician" in SAID
    assert "not a safety device" in SAID


def test_it_says_what_is_odd_about_a_sparse_site():
    text = example_site("tussock-bay").read_text()
    text = text.replace('  [[forecast.service]]\n  kind = "met-norway"\n', "")
    said = explain(parse_site(text.replace("open_above_c = 27.0", 'open_above_c = 27.0\nrest = "open"')))
    assert "46.4° S, 168.9° E" in said
    assert "no service named: the guard holds each tree from its probes alone" in said
    assert "put its strings on two circuits" in said
    assert "on a frost night that lets the cold in" in said
    assert "(set in the file)" in said


def test_it_says_so_when_a_tree_has_no_string():
    text = example_site("tussock-bay").read_text()
    start = text.index('string = [\n  { channel = "shed/3"')
    bare = text[:start] + text[text.index("]\n", start) + 2 :]
    assert "no string: its temperature is watched, nothing can heat it" in explain(parse_site(bare))


def test_it_warns_a_seller_off_a_free_host():
    text = example_site("curlew-yard").read_text().replace('"non-commercial"', '"commercial"')
    assert "selling fruit is commercial" in explain(parse_site(text))


def test_it_says_what_a_service_lacks_and_what_it_wants():
    text = example_site("curlew-yard").read_text().replace('kind = "open-meteo"', 'kind = "met-norway"')
    said = explain(parse_site(text))
    assert "met-norway at https://api.met.no" in said
    assert "gives no sunshine" in said
    assert "not asked without a contact" in said
    with_contact = text.replace("[forecast]", '[forecast]\ncontact = "mailto:grower@curlew-yard.example"')
    assert "not asked" not in explain(parse_site(with_contact))


def test_it_says_the_rates_and_how_far_risk_may_move_a_hold_temperature():
    assert "0.3 EUR a kilowatt-hour at all times" in SAID
    site = load_site(example_site("curlew-yard"))
    rates = {"night_price_per_kwh": 0.12, "night_from": time(23, 0), "night_until": time(8, 0)}
    said = explain(
        site.model_copy(
            update={
                "tariff": site.tariff.model_copy(update=rates),
                "trees": (site.trees[0].model_copy(update={"hold": "risk"}), *site.trees[1:]),
            }
        )
    )
    assert "0.12 from 23:00 to 08:00 by the clock on the wall" in said
    assert "the plan may hold it between -0.85 and 2 °C, as the night's risk asks" in said
