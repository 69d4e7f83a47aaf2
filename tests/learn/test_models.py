"""Models on disk: whatever stands there, the daemon has a model to go on with."""

import dataclasses
import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from simulated import SITE

from controller.errors import ModelError
from controller.learn import models as module
from controller.learn.models import Models
from controller.thermal.doubt import Doubt
from controller.thermal.knobs import Knob
from controller.thermal.noise import Noise
from controller.thermal.parameters import parameters_of

PRIOR = parameters_of(SITE)
LEARNT = dataclasses.replace(
    PRIOR, house_loss_w_per_k=500.0, fleece_loss_w_per_k=1.3 * PRIOR.fleece_loss_w_per_k
)
DOUBT = Doubt(
    knobs=(Knob(field="house_loss_w_per_k", sd=0.3), Knob(field="fleece_loss_w_per_k", sd=0.4, tree=1)),
    covariance=np.array([[0.01, 0.002], [0.002, 0.04]]),
)
AT = datetime(2027, 1, 20, 3, tzinfo=UTC)


def accept(models, days=0, parameters=LEARNT):
    return models.accept(
        AT + timedelta(days=days), PRIOR, parameters, Noise(probe_k=0.3), DOUBT, {"why": "a test"}
    )


def test_without_any_the_handbook_is_used(tmp_path):
    model = Models(tmp_path).in_use(SITE)
    assert (model.name, model.remark) == ("handbook", "")
    assert model.parameters.house_loss_w_per_k == PRIOR.house_loss_w_per_k


def test_an_accepted_model_comes_back_as_it_was(tmp_path):
    name = accept(Models(tmp_path))
    model = Models(tmp_path).in_use(SITE)
    assert model.name == name == "20270120T030000Z"
    assert model.noise == Noise(probe_k=0.3)
    assert model.doubt.knobs == DOUBT.knobs
    assert np.array_equal(model.doubt.covariance, DOUBT.covariance)
    for field in dataclasses.fields(PRIOR):
        assert np.array_equal(getattr(model.parameters, field.name), getattr(LEARNT, field.name)), field.name


def test_going_back_goes_one_by_one_to_the_handbook(tmp_path):
    models = Models(tmp_path)
    one, two = accept(models), accept(models, 1)
    assert models.back() == (two, one)
    assert models.in_use(SITE).name == one
    assert models.back() == (one, "handbook")
    assert models.in_use(SITE).name == "handbook"
    with pytest.raises(ModelError, match="nothing to go back to"):
        models.back()
    assert (tmp_path / "models" / f"{two}.json").exists()  # kept, with its evidence


def test_going_back_to_one_that_is_gone_or_from_one_that_is_damaged_ends_at_the_handbook(tmp_path):
    models = Models(tmp_path)
    one, two = accept(models), accept(models, 1)
    (models.folder / f"{one}.json").unlink()
    assert models.back() == (two, "handbook")
    three = accept(models, 2)
    (models.folder / f"{three}.json").write_text("{")
    assert models.back() == (three, "handbook")


def test_another_site_file_makes_a_model_worthless_but_new_strings_do_not(tmp_path):
    models = Models(tmp_path)
    accept(models)
    house = SITE.house.model_copy(update={"length_m": 12.0})
    model = models.in_use(SITE.model_copy(update={"house": house}))
    assert model.name == "handbook"
    assert "learnt for another site file" in model.remark
    fewer = models.in_use(SITE.model_copy(update={"trees": SITE.trees[:2]}))
    assert "learnt for another site file" in fewer.remark
    tree = SITE.trees[0].model_copy(update={"hold_c": 2.0})
    warmer = models.in_use(SITE.model_copy(update={"trees": (tree, *SITE.trees[1:])}))
    assert warmer.name != "handbook"
    assert warmer.parameters.hold_c[0] == 2.0


def spoil(body, **changes):
    return {**body, **changes}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda _: "{", "cannot be read"),
        (lambda _: "[]", "expected a JSON object"),
        (lambda _: " " * 1_000_001, "larger than any model"),
        (lambda body: json.dumps(spoil(body, form=3)), "form 3, not 4"),
        (lambda body: json.dumps(spoil(body, noise={})), "damaged"),
        (lambda body: json.dumps(spoil(body, parameters={})), "damaged"),
        (
            lambda body: json.dumps(
                spoil(body, parameters=spoil(body["parameters"], house_loss_w_per_k=float("nan")))
            ),
            "expected a positive number",
        ),
        (
            lambda body: json.dumps(spoil(body, parameters=spoil(body["parameters"], tree_solar_m2=[1.0]))),
            "damaged",
        ),
        (
            lambda body: json.dumps(spoil(body, doubt=spoil(body["doubt"], covariance=[[1.0]]))),
            "covariance of 2",
        ),
        (lambda body: json.dumps(spoil(body, doubt=spoil(body["doubt"], numbers=[["a", 9, 1.0]]))), "of 0"),
    ],
)
def test_a_spoiled_model_leaves_the_handbook_and_says_why(tmp_path, change, words):
    models = Models(tmp_path)
    path = models.folder / f"{accept(models)}.json"
    path.write_text(change(json.loads(path.read_text())))
    model = models.in_use(SITE)
    assert model.name == "handbook"
    assert words in model.remark


@pytest.mark.parametrize("pointer", ['{"model": 7}', '{"model": "../../etc/passwd"}', "{"])
def test_a_spoiled_pointer_leaves_the_handbook_and_the_next_model_mends_it(tmp_path, pointer):
    models = Models(tmp_path)
    accept(models)
    (models.folder / "in-use.json").write_text(pointer)
    assert models.in_use(SITE).name == "handbook"
    assert models.in_use(SITE).remark
    name = accept(models, 1)
    assert models.in_use(SITE).name == name


def test_a_folder_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "models").write_text("a file in the way")
    with pytest.raises(ModelError, match="cannot be written"):
        accept(Models(tmp_path))


def test_old_models_go_but_not_the_one_in_use(tmp_path, monkeypatch):
    monkeypatch.setattr(module, "MOST_KEPT", 3)
    models = Models(tmp_path)
    names = [accept(models, days) for days in range(5)]
    assert sorted(path.stem for path in models.folder.glob("*Z.json")) == names[2:]


def test_two_models_of_one_second_stand_beside_each_other(tmp_path):
    models = Models(tmp_path)
    one, two = accept(models), accept(models)
    assert one != two
    assert models.back() == (two, one)
    assert models.back() == (one, "handbook")
