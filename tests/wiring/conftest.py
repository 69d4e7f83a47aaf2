"""A wiring test rehearsed, once as declared, and how to ask what came of it."""

import pytest

from controller.site.load import example_site, load_site
from controller.wiring.check import Scope, Stage
from controller.wiring.procedure import scope_of
from controller.wiring.verdict import report_of
from simulator.wires import as_declared
from simulator.wiring_rehearsal import WiringRehearsal
from tests.bus.test_plain import plain_site

# All that is done by day: everything but the heater step of the evening.
DAY = tuple(stage for stage in Stage if stage is not Stage.STEP)


@pytest.fixture(scope="session")
def site():
    return load_site(example_site("tussock-bay"))


@pytest.fixture(scope="session")
def two_boards():
    return load_site(example_site("curlew-yard"))


@pytest.fixture(scope="session")
def plain_boards():
    """Curlew Yard with an east board that knows only texts, echoes, and rests when it is cut off."""
    return plain_site(cut_off="rests")


@pytest.fixture(scope="session")
def good(site):
    """The whole test of a site that is wired as it says."""
    rehearsal = WiringRehearsal(site, as_declared(site), Scope(site=site, stages=DAY))
    rehearsal.run()
    return rehearsal


def stages(*names):
    """The stages that a test needs: always those on which the rest is built."""
    return tuple(stage for stage in Stage if stage in {Stage.BOARDS, *names})


def report(rehearsal):
    return report_of(rehearsal.state.record, scope_of(rehearsal.state))


def named(rehearsal):
    """Every diagnosis as cause and targets."""
    return {(d.cause, tuple(sorted(d.targets))) for d in report(rehearsal).diagnoses}


def rehearse(site, wiring, *names, **more):
    scope = Scope(site=site, stages=stages(*names) if names else DAY)
    rehearsal = WiringRehearsal(site, wiring, scope, **more)
    rehearsal.run()
    return rehearsal


def away_from_rest(world):
    """Channels that are not at rest: heaters off, vents moved, by the boards themselves."""
    return [
        f"{name}/{channel}"
        for name, board in world.boards.items()
        for channel in (*board.heaters, *board.vents)
        if (channel in board.on) != (channel in board.heaters)
    ]
