"""What the fail-safe draws, by hand-worked sums."""

import pytest

from controller.errors import SiteFileError
from controller.site.codes import CODES, code_for
from controller.site.electric import phase_sums
from controller.site.explain import explain
from controller.site.load import example_site, parse_site

TEXT = example_site("curlew-yard").read_text()


def changed(*changes):
    text = TEXT
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return parse_site(text)


def refusal(*changes):
    with pytest.raises(SiteFileError) as refused:
        changed(*changes)
    return str(refused.value)


def test_a_phase_is_the_sum_of_its_circuits_and_of_what_else_runs(curlew_yard):
    (one,) = phase_sums(curlew_yard)
    # (875 W + 825 W + 4000 W) / 230 V; 40 A x 0.8 (NEC 210.20(A))
    assert one.total_a == pytest.approx(24.78, abs=0.01)
    assert one.limit_a == 32.0
    assert one.parts == "a: 875 W + b: 825 W + others: 4000 W"


@pytest.mark.fault("H05")
def test_a_main_that_the_fail_safe_would_overload_is_refused_with_the_sums():
    said = refusal(("main_a = 40.0", "main_a = 30.0"))
    assert "phase L1 would carry a: 875 W + b: 825 W + others: 4000 W = 24.8 A" in said
    assert "the main allows 30 A x 0.8 = 24 A for hours" in said
    assert "line " in said


def test_circuits_on_two_phases_share_the_load():
    two = [("main_a = 40.0", "main_a = 30.0\nphases = 2")]
    assert "phase L1 would carry" in refusal(*two)
    second = ('curve = "C"\nphase = "L1"\n\n[[circuit]]', 'curve = "C"\nphase = "L2"\n\n[[circuit]]')
    sums = phase_sums(changed(*two, second))
    # (825 W + 4000 W) / 230 V and (875 W + 4000 W) / 230 V
    assert [round(s.total_a, 2) for s in sums] == [20.98, 21.2]


def test_a_phase_that_the_supply_has_not_is_refused():
    assert "phase L3, but the supply has 1" in refusal(('phase = "L1"', 'phase = "L3"'))


def test_more_than_eighty_per_cent_of_the_main_needs_its_rule_named():
    more = ("main_a = 40.0", "main_a = 30.0\ncontinuous_fraction = 1.0")
    assert "name the local rule" in refusal(more)
    site = changed((more[0], f'{more[1]}\nlocal_rule = "the electrician\'s words"'))
    assert phase_sums(site)[0].limit_a == 30.0


def test_check_says_the_inrush_against_the_breaker_s_curve():
    # 5 strings of 175 W at 230 V draw 3.8 A; ten times that, cold: 38 A.  IEC 60898-1 (from memory): curve B
    # trips at once from 3 times its rating (30 A), curve C from 5 times (50 A).
    assert "38 A for a moment (cold lamps)" in explain(changed())
    assert "may trip at once" not in explain(changed())
    assert "curve B may trip at once from 30 A up" in explain(changed(('curve = "C"', 'curve = "B"')))
    assert "may trip at once" not in explain(changed(('curve = "C"\n', "")))


def test_cable_has_no_inrush():
    text = TEXT.replace('kind = "lamps"', 'kind = "cable"')
    assert "a: when the supply comes back everything comes on together, and no program" in explain(
        parse_site(text)
    )
    assert "4 A for a moment\n" in explain(parse_site(text))


def test_a_rating_from_a_relay_s_label_counts_half_on_the_resting_contact():
    label = '{ id = "1", contact = "resting", contact_a = 10.0, contact_a_of = "working-contact" }'
    said = refusal(('{ id = "1", contact = "resting", contact_a = 10.0 }', label))
    # 175 W / 230 V x 10 = 7.6 A, over half of 10 A
    assert "must carry 7.6 A; it is rated 10 A as a working contact, so 5 A as a resting one" in said
    assert "tightest contact: east/1, 7.6 A cold on a resting contact good for 8 A" in explain(
        changed(
            ('{ id = "1", contact = "resting", contact_a = 10.0 }', label.replace("10.0", "16.0")),
        )
    )


def test_without_a_supply_the_sums_are_shown_and_the_main_is_asked_for():
    said = explain(changed(("[supply]\nmain_a = 40.0\nvoltage_v = 230.0\nother_w = 4000.0\n", "")))
    assert "phase L1: a: 875 W + b: 825 W = 7.4 A" in said
    assert "advice: the main is not described" in said


@pytest.mark.parametrize(
    ("country", "named"),
    [
        ("Ireland", "I.S. 10101"),
        ("New Zealand", "AS/NZS 3000"),
        (" united states ", "NEC"),
        ("Elsewhere", "the one that applies in Elsewhere"),
        ("", "the one that applies at your place"),
    ],
)
def test_the_country_names_the_code_to_ask_about(country, named):
    assert named in code_for(country)
    assert f"Wiring code to ask about: {code_for('Ireland')}." in explain(changed())


def test_no_country_is_told_what_its_code_says():
    assert all(country == country.lower() and "must" not in code for country, code in CODES.items())
