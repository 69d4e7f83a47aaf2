"""A whole night with the real keeper, as stories about fruit; and the auditor who would see a mistake."""

import io
import os
import subprocess
import sys
from dataclasses import replace
from datetime import datetime, time
from zoneinfo import ZoneInfo

import pytest

from controller.guard import lease
from controller.guard.decision import Reason
from controller.site.load import example_site, parse_site
from simulator import rehearsal
from simulator.night import load_night
from simulator.rehearsal import Rehearsal, play

pytestmark = pytest.mark.untraced


@pytest.fixture(scope="module")
def clear_calm():
    trace = io.StringIO()
    result = play("clear-calm", load_night("clear-calm"), 1, trace=trace)
    return result, trace.getvalue()


def test_a_clear_calm_night_spares_every_fruit_and_a_bare_tree_loses_its_own(clear_calm):
    result, _ = clear_calm
    assert result.outside_min_c < -6.0
    assert len(result.trees) == 5
    assert not any(tree.damaged for tree in result.trees.values())
    # ripe mandarins begin to freeze at -2.2 °C: FAO ENRS 10 vol. 1, from memory
    assert result.fruit_min_bare_c < -2.2
    assert result.fruit_min_unheated_c < -2.2
    assert result.unjustified_off == 0


def test_a_tree_s_electricity_on_such_a_night_is_of_the_expected_size(clear_calm):
    # Computed for a 2.5 x 2 m tree, 12 of them in one glasshouse, -6 °C, clear: 2.63 kWh.  Trees here are
    # smaller, wear two layers, and have fewer neighbours to warm the house; half to twice that is sane.
    result, _ = clear_calm
    for tree in result.trees.values():
        assert 1.3 < tree.kwh < 5.3


def test_the_same_seed_gives_the_same_bytes_and_another_does_not(clear_calm):
    result, written = clear_calm
    again = io.StringIO()
    assert play("clear-calm", load_night("clear-calm"), 1, trace=again) == result
    assert again.getvalue() == written
    assert play("clear-calm", load_night("clear-calm"), 2).trace_sha256 != result.trace_sha256


def test_each_kilowatt_hour_is_counted_at_the_price_of_its_time(clear_calm):
    """Two rates change what a night costs, and nothing else in it."""
    result, written = clear_calm
    night = load_night("clear-calm")
    site = night.load_site()
    rates = {"night_price_per_kwh": 0.12, "night_from": time(23, 0), "night_until": time(8, 0)}
    tariff = site.tariff.model_copy(update=rates)
    priced = play("clear-calm", night, 1, site=site.model_copy(update={"tariff": tariff}))
    assert replace(priced, cost=result.cost) == result
    assert result.cost == round(result.kwh * site.tariff.price_per_kwh, 2)
    begin_s, cheap_kwh = night.start_utc(site).timestamp(), 0.0
    for line in written.splitlines():
        if line[0].isdigit():  # a step; what it says of strings holds from its end on
            words = line.split()
            clock = datetime.fromtimestamp(begin_s + float(words[0]), ZoneInfo(site.place.time_zone)).time()
            watts = sum(float(tree.split("/")[2]) for tree in words[3:])
            cheap_kwh += (
                watts * rehearsal.TICK_S / 3.6e6 if clock >= time(23, 0) or clock < time(8, 0) else 0.0
            )
    assert 0.2 * result.kwh < cheap_kwh < result.kwh
    assert priced.cost == pytest.approx(result.cost - cheap_kwh * (tariff.price_per_kwh - 0.12), abs=0.02)


def test_a_mild_fog_asks_for_nothing():
    result = play("mild-fog", load_night("mild-fog"), 1)
    assert result.kwh < 0.2
    assert result.unjustified_off == 0


def test_the_southern_site_has_its_winter_in_july():
    result = play("southern-clear", load_night("southern-clear"), 1)
    assert result.site == "tussock-bay"
    assert result.outside_min_c < 0.0
    assert result.kwh > 0.5
    assert not any(tree.damaged for tree in result.trees.values())


def test_the_auditor_sees_a_guard_that_lets_heaters_rest_in_the_cold(monkeypatch):
    def grant_everything(rules, memory, heat, vents, now):
        given, after = lease_grant(rules, memory, dict.fromkeys(heat, warm), vents, now)
        return given, after

    lease_grant = lease.grant
    warm = type("Warm", (), {"active": False})()
    monkeypatch.setattr("controller.keeper.grant", grant_everything)
    result = play("clear-calm", load_night("clear-calm"), 1)
    assert result.unjustified_off > 1000
    assert any(tree.damaged for tree in result.trees.values())


def test_the_auditor_sees_an_evidence_rule_that_trusts_a_silent_probe(monkeypatch):
    monkeypatch.setattr("controller.guard.evidence.STALE_PERIODS", 1e9)
    monkeypatch.setattr(rehearsal, "World", _silent_after_dusk(rehearsal.World))
    result = play("clear-calm", load_night("clear-calm"), 1)
    assert result.unjustified_off > 1000


def test_silent_probes_mean_heat_all_night_and_no_unjustified_off(monkeypatch):
    monkeypatch.setattr(rehearsal, "World", _silent_after_dusk(rehearsal.World))
    result = play("clear-calm", load_night("clear-calm"), 1)
    assert result.unjustified_off == 0
    assert not any(tree.damaged for tree in result.trees.values())
    assert result.reasons[str(Reason.PROBE_STALE)] >= 5


def _silent_after_dusk(world_class):
    """A world whose boards no longer send readings from the second hour on."""

    class Silent(world_class):
        def step(self, dt_s):
            super().step(dt_s)
            if self.elapsed_s > 7200.0:
                for board in self.boards.values():
                    board._probes = []

    return Silent


def test_a_tree_with_two_probes_is_audited_by_both():
    text = example_site("tussock-bay").read_text()
    text = text.replace('probes = ["air-lemon"]', 'probes = ["air-lemon", "low-lemon"]')
    site = parse_site(text + '\n[[probe]]\nname = "low-lemon"\nmeasures = "tree"\n')
    result = play("southern-clear", load_night("southern-clear"), 3, site=site)
    assert result.unjustified_off == 0


def test_neither_the_order_of_hashes_nor_the_threads_of_linear_algebra_change_a_byte():
    short = "from simulator.night import load_night as n; from simulator.rehearsal import Rehearsal as R; "
    short += "print(R('n', n('clear-calm'), 1, with_forecast=True).run(3600.0).trace_sha256)"
    own = Rehearsal("n", load_night("clear-calm"), 1, with_forecast=True).run(3600.0).trace_sha256
    changed = {"PYTHONHASHSEED": "7", "OPENBLAS_NUM_THREADS": "2", "TZ": "Pacific/Auckland"}
    done = subprocess.run(
        [sys.executable, "-c", short],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, **changed, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )
    assert done.stdout.strip() == own
