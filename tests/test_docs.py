"""The documents name everything a person can meet: reasons, topics, commands; and link to what exists."""

import re
from pathlib import Path

import click
import pytest

from controller.cli import main
from controller.guard.decision import Reason
from controller.site.explain import CAUTIONS

TOP = Path(__file__).parents[1]
README = (TOP / "README.md").read_text()


@pytest.mark.parametrize("reason", [str(reason) for reason in Reason])
def test_every_reason_is_in_the_readme(reason):
    assert f"`{reason}`" in README


def test_the_readme_names_no_reason_that_is_not_there():
    section = README.split("### Why a heater is on or off")[1].split("##")[0]
    assert set(re.findall(r"`([a-z-]+)`", section)) == {str(reason) for reason in Reason}


@pytest.mark.parametrize("command", main.list_commands(click.Context(main)))
def test_every_command_is_in_the_readme(command):
    assert f"rimeward {command}" in README


@pytest.mark.parametrize(
    "branch",
    [
        "probe",
        "lease",
        "echo",
        "alive",
        "ping",
        "hand",
        "confirm",
        "answer",
        "decision",
        "power",
        "acknowledge",
        "test",
    ],
)
def test_every_topic_is_in_the_readme(branch):
    assert f"`{branch}/<" in README


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_links_lead_somewhere(document):
    links = re.findall(r"\]\(([^)#]+)\)", (TOP / document).read_text())
    assert [link for link in links if "://" not in link and not (TOP / link).exists()] == []


def test_the_cautions_are_where_people_switch_things():
    for word in ("licensed electrician", "local", "frost-stat", "cut-out", "residual-current"):
        assert word in README
        assert word in " ".join(CAUTIONS)
