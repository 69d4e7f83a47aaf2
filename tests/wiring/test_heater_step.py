"""The heater step: made in the evening, safe at its end, and what it says of the house is so."""

import pytest

from controller.wiring.check import Outcome, Scope, Stage
from controller.wiring.learnt import learnt_from_step
from controller.wiring.sheet import sheet_html, sheet_of
from controller.wiring.step import NO
from simulator.wires import as_declared
from simulator.wiring_rehearsal import Truthful, WiringRehearsal
from tests.wiring.conftest import away_from_rest, report, stages


class Declining(Truthful):
    """Somebody who has no evening for it."""

    def answer(self, ask):
        return (NO,) if ask.view == "evening" else super().answer(ask)


@pytest.fixture(scope="module")
def stepped(site):
    rehearsal = WiringRehearsal(site, as_declared(site), Scope(site=site, stages=stages(Stage.STEP)))
    rehearsal.run()
    return rehearsal


def test_it_waits_for_the_evening_and_leaves_everything_at_rest(stepped):
    notes = stepped.state.record["step/evening"]
    assert notes["heat"].lasted_s == pytest.approx(6 * 3600.0, abs=61.0)
    assert stepped.world.start_utc.timestamp() + 8 * 3600.0 < notes["heat"].utc_s
    assert stepped.world.turned_up == set()
    assert away_from_rest(stepped.world) == []
    assert {r.outcome for r in report(stepped).results} == {Outcome.GOOD}


def test_what_it_says_of_a_tree_is_watts_over_kelvin(stepped, site):
    rows = {row["name"]: row for row in learnt_from_step(stepped.state.record, stepped.state.scope)}
    heat = stepped.state.record["step/evening"]["heat"]
    for tree in site.trees:
        fleece = rows[f"fleece loss of {tree.name}"]
        assert fleece["relative_error"] < 0.5 * fleece["handbook_error"]
        # after six hours nothing is stored any more: watts over kelvin is what fleece and soil lose together,
        # and of that the soil has the smaller part
        last_c = {name: readings[-1][1] for name, readings in heat.readings.items()}
        w_per_k = tree.strings[0].power_w / (last_c[tree.probes[0]] - last_c["house"])
        assert 0.6 * w_per_k < fleece["learnt"] < w_per_k


def test_what_it_could_not_tell_is_left_out(stepped):
    rows = learnt_from_step(stepped.state.record, stepped.state.scope)
    assert all(row["relative_error"] <= 0.8 * row["handbook_error"] for row in rows)
    # one evening at rest of sun and wind cannot tell what those do
    assert not {row["field"] for row in rows} & {"house_wind_loss_w_s_per_k_m", "house_solar_m2"}


def test_its_numbers_stand_on_the_sheet(stepped, site):
    sheet = sheet_of(stepped.state.record, stepped.state.scope, by="", at=stepped.world.now_utc)
    assert "fleece loss of lemon" in sheet_html(sheet, site)


def test_without_an_evening_it_is_left_out_and_nothing_else_suffers(site):
    scope = Scope(site=site, stages=stages(Stage.STEP))
    rehearsal = WiringRehearsal(site, as_declared(site), scope, person=Declining)
    rehearsal.run()
    assert "The heater step is left for another evening. The same command" in report(rehearsal).sentence
    assert learnt_from_step(rehearsal.state.record, rehearsal.state.scope) == []


def test_on_another_evening_only_the_step_is_made_and_the_cautions_read_again(site):
    scope = Scope(site=site, stages=stages(Stage.CAUTIONS, Stage.CHANNELS, Stage.STEP))
    first = WiringRehearsal(site, as_declared(site), scope, person=Declining)
    first.run()
    second = WiringRehearsal(site, as_declared(site), scope, record=first.state.record, seed=1)
    assert set(first.state.record) - set(second.state.record) == {"cautions/read", "step/evening"}
    second.run()
    assert {r.outcome for r in report(second).results} == {Outcome.GOOD}
    assert second.world.turned_up == set()
