"""The whole picture, as it goes to pages."""

import json
from types import SimpleNamespace

from controller.bus.messages import LARGEST_STATUS_BYTES, AnswerPayload, StatusPayload, read
from controller.bus.outbound import send, status_of
from controller.bus.topics import Topics
from controller.guard.confirm import Confirmation
from controller.guard.events import Confirmed, OutlookMade
from controller.plan.outlook import outlook_of
from controller.site.work import Work
from tests.plan.test_outlook import forecast


def test_the_status_carries_fruit_and_the_coming_hours(drive):
    drive.step()
    outlook = outlook_of(drive.site, forecast(-6.0), drive.state.latest_c, drive.now.utc)
    drive.tell(OutlookMade(outlook=outlook))
    status = read(StatusPayload, status_of(drive.state, drive.now, fruit_c={"lemon": 3.21}).to_json())
    fruit_c = {output.name: output.fruit_c for output in status.outputs}
    assert fruit_c["lemon"] == 3.21
    assert fruit_c["yuzu"] is None
    assert fruit_c["gable-fan"] is None
    coming = status.coming
    assert coming.outside_c == outlook.hours.outside_c
    assert coming.tree == outlook.hours.tree
    assert coming.attribution == "by hand"
    assert coming.trees_heated == tuple(tree.name for tree in outlook.trees)
    assert coming.heat_from == min(tree.heat_from for tree in outlook.trees)


def test_without_outlook_nothing_is_made_up(drive):
    drive.step()
    payload = status_of(drive.state, drive.now).to_json()
    assert "coming" not in json.loads(payload)
    assert read(StatusPayload, payload).coming is None


def test_the_status_of_a_large_site_still_fits(drive):
    trees = tuple(drive.site.trees[0].model_copy(update={"name": f"t{n}", "strings": ()}) for n in range(100))
    site = drive.site.model_copy(update={"trees": trees, "vents": (), "boards": ()})
    large = type(drive)(site)
    large.step()
    outlook = outlook_of(site, forecast(-6.0), large.state.latest_c, large.now.utc)
    large.tell(OutlookMade(outlook=outlook))
    assert len(status_of(large.state, large.now).to_json()) < LARGEST_STATUS_BYTES


def test_a_word_is_answered_and_stands_in_the_status(drive):
    drive.step()
    for name, what, kind, target in (
        ("w1", Work.UNCOVERED, "tree", "lemon"),
        ("w2", Work.VENTS_SHUT, "all", "all"),
    ):
        word = Confirmation(id=name, who="Nora", what=what, target_kind=kind, target=target, at=drive.now.utc)
        (action,) = drive.tell(Confirmed(confirmation=word))
    sent = []
    send(
        action,
        Topics("curlew-yard"),
        SimpleNamespace(publish=lambda topic, payload: sent.append((topic, payload))),
    )
    ((topic, payload),) = sent
    assert topic == "rimeward/1/curlew-yard/answer/w2"
    assert read(AnswerPayload, payload).accepted
    fleece, vents = read(StatusPayload, status_of(drive.state, drive.now).to_json()).confirmed
    assert (fleece.what, fleece.kind, fleece.name, fleece.ends_at) == ("uncovered", "tree", "lemon", None)
    assert (vents.what, vents.kind, vents.name, vents.id) == ("vents-shut", "all", "all", "w2")
    assert vents.at == drive.now.utc
    assert vents.ends_at > drive.now.utc
