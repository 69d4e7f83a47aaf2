"""Whole winters with the real controller, beside simpler rules on the same house and weather."""

from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.site.load import example_site
from simulator import lived
from simulator.lived import Lived, lived_text, lived_winter
from simulator.plant import Plant
from simulator.study import Winter
from tests.simulator.conftest import weather

pytestmark = pytest.mark.untraced


def winter(name, **changes):
    usual = {"lost": 0.0, "trees_hurt": 0, "kwh": 100.0, "cost": 30.0, "outside_min_c": -6.0}
    return Winter(design=name, seed=1, **(usual | changes))


def test_rules_heat_what_they_say(curlew_yard):
    plant, dark = Plant(curlew_yard, air_c=6.0), [False] * 5
    assert lived.thermostat(curlew_yard, plant, weather(-3.0), dark) == dark
    assert lived.on_when_cold(curlew_yard, plant, weather(1.9), dark) == [True] * 5
    assert lived.on_when_cold(curlew_yard, plant, weather(2.1), dark) == dark
    for _ in range(12 * 60):
        plant.step(60.0, weather(-6.0), [0.0] * 5)
    assert lived.thermostat(curlew_yard, plant, weather(-6.0), dark) == [True] * 5
    fruit = dict(zip((tree.name for tree in curlew_yard.trees), plant.fruit_c, strict=True))
    wanted = dict(zip(fruit, lived.held_above(0.3)(curlew_yard, plant, weather(-6.0), dark), strict=True))
    # a tree-ripe lemon begins to freeze at -0.8 °C (FAO ENRS 10, from memory)
    assert wanted["lemon"] == (fruit["lemon"] <= -0.5)
    assert lived.nothing(curlew_yard, plant, weather(-6.0), dark) == dark


def test_what_was_lost_needlessly_is_named_by_winter_and_tree(curlew_yard):
    both = {name: winter(name) for name in (lived.OURS, *lived.RIVALS, lived.FORESIGHT)}
    hurt = both | {lived.OURS: winter(lived.OURS, lost=12.0, trees_hurt=1, hurt=("lemon",))}
    text = lived_text(
        curlew_yard,
        [
            Lived(seed=1, by=both, unjustified_off=0, avoidable=()),
            Lived(seed=2, by=hurt, unjustified_off=3, avoidable=("lemon",)),
        ],
    )
    ours = next(line for line in text.splitlines() if line.startswith(lived.OURS))
    # 560 fruits for 30 a winter
    assert ours.split() == ["Rimeward", "6.00", "12.00", "1/2", "100.0", "30.00", f"{3000 / 560:.2f}"]
    assert "outside: 1 winters" in text
    assert "winter 2: lemon" in text
    assert "3 control periods" in text


def test_mild_days_cost_nothing_by_any_rule_that_looks_at_the_trees(curlew_yard):
    pytest.importorskip("demandlib")
    few = lived_winter(curlew_yard, "1", 1, days=4)
    assert set(few.by) == {lived.OURS, *lived.RIVALS, lived.FORESIGHT}
    assert few.by[lived.OURS].outside_min_c == pytest.approx(few.by["fleece only"].outside_min_c, abs=0.3)
    assert few.by[lived.OURS].kwh < 0.5  # strings heat until probes have spoken and boards hold a lease
    assert all(few.by[name].kwh == 0.0 for name in lived.RIVALS if name != lived.ORACLE)
    assert (few.unjustified_off, few.avoidable) == (0, ())


def test_foresight_takes_the_least_margin_that_loses_nothing(curlew_yard, monkeypatch):
    class Quiet:
        """A rehearsal that is not played."""

        def __init__(self, *_, **__):
            tree = SimpleNamespace(name="lemon", is_damaged=False, lost_share=0.0)
            record = SimpleNamespace(trees=[tree], kwh=1.0, cheap_kwh=0.0, outside_min_c=-9.0)
            self.world, self.auditor = SimpleNamespace(record=record), SimpleNamespace(unjustified_off=0)

        def run(self):
            return self

    played = []

    def rule_s_winter(design, *_, rule, **__):
        played.append(design.name)
        late = design.name == lived.FORESIGHT and played.count(lived.FORESIGHT) < 3
        return winter(design.name, hurt=("lemon",) if late else ())

    monkeypatch.setattr(lived, "Rehearsal", Quiet)
    monkeypatch.setattr(lived, "winter_of", rule_s_winter)
    monkeypatch.setattr(lived, "reference_year", lambda region: region)
    monkeypatch.setattr(lived, "another_year", lambda year, seed: (year, seed))
    assert lived_winter(curlew_yard, "1", 1).by[lived.FORESIGHT].hurt == ()
    assert played.count(lived.FORESIGHT) == 3


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_a_winter_by_command():
    pytest.importorskip("demandlib")
    site = str(example_site("curlew-yard"))
    words = ["study", "--site", site, "--controller", "--winters", "1", "--processes", "1"]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 0, result.output
    assert "outside: 0 winters" in result.output
    assert "to: 0 control periods" in result.output
