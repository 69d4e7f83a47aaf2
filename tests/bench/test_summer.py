"""A July of reference years: the vents keep the house from scorching, and do not chatter."""

from collections import Counter
from datetime import datetime

import pytest

from simulator.night import Night, ReferenceWeather
from simulator.rehearsal import play

pytestmark = [pytest.mark.long, pytest.mark.timeout(600)]


@pytest.mark.parametrize("region", [1, 12])
def test_a_july_with_the_fan_stays_below_forty(region):
    pytest.importorskip("demandlib")
    july = Night(
        title="July",
        says="a month of summer, fleece off",
        site="curlew-yard",
        start=datetime(2027, 7, 1),
        hours=31 * 24.0,
        weather=ReferenceWeather(kind="reference-year", region=region),
    )
    moves, opened = Counter(), [False]

    def moved(decision, world):
        if decision.kind == "vent" and decision.active != opened[0]:
            opened[0] = decision.active
            moves[int(world.elapsed_s // 3600.0)] += 1

    result = play("july", july, 1, on_decision=moved)
    print(
        f"region {region}: house up to {result.house_max_c:.1f} °C, at most {max(moves.values())} switchings"
    )
    assert result.house_max_c < 40.0
    assert max(moves.values()) < 12
