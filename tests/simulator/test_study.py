"""What to buy: designs that differ in one way, winters by the simulated house, and the verdict."""

from datetime import time

import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.errors import RehearsalError
from simulator.kept import Kept
from simulator.study import KEPT, Winter, designs_of, study, study_text, verdicts_of, winter_of, work_of
from simulator.weather_files import reference_year


def winter(design, seed, **changes):
    usual = {"lost": 0.0, "trees_hurt": 0, "kwh": 100.0, "cost": 30.0, "outside_min_c": -6.0}
    return Winter(design=design, seed=seed, **(usual | changes))


def test_designs_differ_from_the_site_in_one_way_each(curlew_yard):
    designs = {design.name: design.site for design in designs_of(curlew_yard)}
    assert designs["as it is"] == curlew_yard
    assert designs["half the watts"].trees[0].power_w == 0.5 * curlew_yard.trees[0].power_w
    assert designs["one more layer"].trees[0].fleece_layers == curlew_yard.trees[0].fleece_layers + 1
    assert designs["double film"].house.glazing == "double-film"
    warmer = designs["a kelvin more"].trees[0].hold_or_default_c
    assert warmer == curlew_yard.trees[0].hold_or_default_c + 1.0
    assert len({repr(site) for site in designs.values()}) == len(designs)


def test_the_verdict_weighs_loss_and_electricity_against_the_site_as_it_is(curlew_yard):
    played = [winter(design.name, seed) for design in designs_of(curlew_yard) for seed in (1, 2)]
    played = [
        winter("half the watts", w.seed, lost=80.0, trees_hurt=1, kwh=90.0, cost=27.0)
        if w.design == "half the watts" and w.seed == 2
        else winter("one more layer", w.seed, kwh=50.0, cost=15.0)
        if w.design == "one more layer"
        else w
        for w in played
    ]
    verdicts = verdicts_of(curlew_yard, played)
    assert [verdicts[0].design, verdicts[1].design] == ["as it is", "one more layer"]
    assert verdicts[1].worth_once == 75.0  # five years of 15 saved
    worst = verdicts[-1]
    assert (worst.design, worst.winters_with_loss, worst.lost) == ("half the watts", 1, 40.0)
    assert worst.worth_once == -5.0 * (40.0 - 1.5)
    text = study_text(verdicts, "EUR")
    assert "Look first at: one more layer of fleece" in text


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_a_january_costs_less_under_more_fleece_and_more_when_held_warmer(curlew_yard):
    pytest.importorskip("demandlib")
    year = reference_year(1)
    kwh = {d.name: winter_of(d, year, 1, days=120).kwh for d in designs_of(curlew_yard)}
    assert kwh["one more layer"] < kwh["as it is"] < kwh["one layer less"]
    # each kelvin of margin costs +82 % of energy on another model of such trees (computed beforehand)
    assert 1.4 < kwh["a kelvin more"] / kwh["as it is"] < 2.2


def test_a_mild_week_loses_and_costs_nothing(curlew_yard):
    pytest.importorskip("demandlib")
    lived = winter_of(designs_of(curlew_yard)[0], reference_year(1), 1, days=3)
    assert (lived.lost, lived.trees_hurt, lived.kwh) == (0.0, 0, 0.0)
    assert lived.outside_min_c > 0.0


def test_a_winter_counts_cheap_hours_at_their_price(curlew_yard):
    pytest.importorskip("demandlib")
    rates = {"night_price_per_kwh": 0.10, "night_from": time(23, 0), "night_until": time(8, 0)}
    tariff = curlew_yard.tariff.model_copy(update=rates)
    design = designs_of(curlew_yard.model_copy(update={"tariff": tariff}))[0]
    lived = winter_of(design, reference_year(1), 1, days=2, rule=lambda site, *_: [True] * len(site.trees))
    # everything on all day: nine hours of each are cheap
    mean_price = (15.0 * tariff.price_per_kwh + 9.0 * 0.10) / 24.0
    assert lived.cost == pytest.approx(lived.kwh * mean_price, rel=1e-2)


def test_winters_that_were_kept_are_not_played_again(curlew_yard, tmp_path):
    kept = Kept(tmp_path / KEPT, Winter, work_of(curlew_yard, "1"))
    kept.add(winter(design.name, 1, kwh=77.0) for design in designs_of(curlew_yard))
    again = list(study(curlew_yard, "1", 1, keep=tmp_path))
    assert [each.kwh for each in again] == [77.0] * len(designs_of(curlew_yard))


def test_winters_of_another_site_or_weather_are_not_mixed_in(curlew_yard, tmp_path):
    Kept(tmp_path / KEPT, Winter, work_of(curlew_yard, "1"))
    warmer = next(design.site for design in designs_of(curlew_yard) if design.name == "a kelvin more")
    for site, weather in ((warmer, "1"), (curlew_yard, "2")):
        with pytest.raises(RehearsalError, match="another folder"):
            study(site, weather, 1, keep=tmp_path)


def test_the_command_says_what_file_is_missing():
    done = CliRunner().invoke(main, ["study", "--site", "none.toml"])
    assert done.exit_code != 0
    assert "none.toml" in done.output
