"""What `rimeward bench` says; how fast anything is is no test."""

import json
import math

import pytest
from click.testing import CliRunner

from controller.cli import main
from simulator.bench import Row, line_of


def test_a_figure_stands_beside_what_it_is_set_against():
    row = Row(what="a fit", value=0.5, unit="s", ratio=46.0, against="another fit")
    line = line_of(row)
    assert line.split() == ["a", "fit", "0.5", "s", "46", "x", "another", "fit"]
    alone = line_of(Row(what="a plan", value=7.0, unit="ms", ratio=math.nan, against=""))
    assert alone.split() == ["a", "plan", "7", "ms"]


@pytest.mark.long
@pytest.mark.timeout(600)
def test_everything_named_is_measured():
    pytest.importorskip("demandlib")
    result = CliRunner().invoke(main, ["bench", "--days", "2", "--json"])
    assert result.exit_code == 0, result.output
    rows = [json.loads(line) for line in result.output.splitlines()]
    named = " ".join(row["what"] for row in rows)
    for thing in ("night", "control loop", "plan", "house", "winter", "memory", "witness", "fit", "journal"):
        assert thing in named
    assert all(row["value"] > 0.0 for row in rows if not row["what"].startswith("memory"))
