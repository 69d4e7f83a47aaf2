"""The figures for monitoring, read by the parser of another project (prometheus-client, OpenMetrics 1.0)."""

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from controller.phone.metrics import metrics_of
from tests.phone.conftest import request, status_for


def samples(text):
    return {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_every_figure_is_understood(drive):
    status = status_for(drive, air_lemon=0.4)
    found = samples(metrics_of(status, 12.0))
    assert found["rimeward_status_age_seconds",] == 12.0
    assert found["rimeward_air_celsius", "lemon"] == 0.4
    assert found["rimeward_hold_celsius", "lemon"] == 1.0
    assert found["rimeward_fruit_celsius", "lemon"] == 2.5
    assert found["rimeward_heat_ordered", "lemon"] == 1.0
    assert found["rimeward_strings_on", "lemon"] == found["rimeward_strings", "lemon"] == 2.0
    assert found["rimeward_heat_ordered", "yuzu"] == 0.0
    assert found["rimeward_vent_open", "gable-fan"] == 0.0
    assert found["rimeward_probe_celsius", "outside"] == 8.0
    assert found["rimeward_board_heard", "east"] == 1.0


def test_before_the_first_word():
    assert samples(metrics_of(None, float("inf"))) == {("rimeward_status_heard",): 0.0}


def test_what_is_not_known_is_left_out_and_odd_names_are_escaped(drive):
    status = status_for(drive)
    odd = 'a"\\\n'
    outputs = (status.outputs[0].model_copy(update={"name": odd, "temp_c": None}),)
    found = samples(metrics_of(status.model_copy(update={"outputs": outputs}), 1.0))
    assert ("rimeward_air_celsius", odd) not in found
    assert found["rimeward_heat_ordered", odd] == 0.0


@pytest.mark.parametrize(("host", "status"), [("127.0.0.1:8484", 200), ("localhost", 200), ("[::1]:1", 200)])
def test_this_machine_may_read_them(page, drive, host, status):
    page.hear(status_for(drive))
    answer = request(page.app, path="/metrics", host=host)
    assert answer.status == status
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    assert answer.text.endswith("# EOF\n")


def test_others_may_not(page, drive, curlew_yard):
    assert request(page.app, path="/metrics", client="192.0.2.7").status == 403
    named = page.named("frost.lan")
    assert request(named, path="/metrics", host="frost.lan").status == 403, "a proxy calls by the public name"
