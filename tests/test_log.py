"""Logging never blocks and never raises, whatever becomes of the place it goes to."""

import io
import json
import logging
import logging.handlers

import pytest
import structlog

from controller import log as log_module
from controller.log import start_logging


@pytest.fixture(autouse=True)
def _put_back():
    root = logging.getLogger()
    handlers, level, raising = root.handlers[:], root.level, logging.raiseExceptions
    yield
    root.handlers, root.level, logging.raiseExceptions = handlers, level, raising
    structlog.reset_defaults()


@pytest.mark.fault("N16")
def test_lines_are_json_with_level_and_time(met):
    stream = io.StringIO()
    listener = start_logging("json", stream)
    structlog.stdlib.get_logger().info("decision", output="lemon", because="−1 °C\nis cold")
    listener.stop()
    line = json.loads(stream.getvalue())
    assert (line["event"], line["level"], line["output"]) == ("decision", "info", "lemon")
    assert stream.getvalue().count("\n") == 1, "a line break in a value cannot forge a line"
    met(
        reaction="none: written as one line of JSON whatever it holds",
        alarm="none: written as one line of JSON whatever it holds",
    )


def test_a_console_line_is_readable():
    stream = io.StringIO()
    listener = start_logging("console", stream)
    structlog.stdlib.get_logger().warning("bus_down", trouble="refused")
    listener.stop()
    assert "bus_down" in stream.getvalue()


class _Closed(io.StringIO):
    def write(self, _):
        raise BrokenPipeError


@pytest.mark.fault("D11")
def test_a_closed_pipe_raises_nothing(met):
    listener = start_logging("json", _Closed())
    for _ in range(10):
        structlog.stdlib.get_logger().info("decision")
    listener.stop()
    met(reaction="none: lines are lost, and nothing else", alarm="none: lines are lost, and nothing else")


@pytest.mark.fault("P16")
def test_a_stalled_reader_costs_lines_and_no_time(monkeypatch, met):
    monkeypatch.setattr(log_module, "QUEUE_LINES", 3)
    monkeypatch.setattr(logging.handlers.QueueListener, "start", lambda _: None)
    start_logging("json", io.StringIO())
    for _ in range(10):
        structlog.stdlib.get_logger().info("decision")
    (handler,) = logging.getLogger().handlers
    assert handler.dropped == 7
    met(
        reaction="none: lines are dropped, and nothing waits",
        alarm="none: lines are dropped, and nothing waits",
    )
