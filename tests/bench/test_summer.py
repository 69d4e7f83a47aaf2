"""A July of reference years: the vents keep the house from scorching, do not chatter, and never meet heat.

With one fan of 1.2 m³/s, which moves the house's volume in a minute and a half, and a forecast without error:
up to 32.2 °C in the house while it is below 30 outside, 38.0 °C at 36.3 outside on the upper Rhine, at most
three switchings an hour.  A house cannot be below the air that it is vented with: from 38-39 °C outside on
the bar is out of reach without shade or mist.
"""

import io
from collections import Counter
from datetime import datetime

import numpy as np
import pytest

from controller.guard.decision import Reason
from simulator.night import Night, ReferenceWeather
from simulator.rehearsal import Rehearsal

pytestmark = [pytest.mark.long, pytest.mark.timeout(600)]


@pytest.mark.parametrize("region", [1, 7, 12])
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
    moves, opened, reasons = Counter(), [False], Counter()

    def moved(decision):
        world = july_under_way.world
        if decision.kind == "vent" and decision.active != opened[0]:
            opened[0] = decision.active
            moves[int(world.elapsed_s // 3600.0)] += 1
            reasons[str(decision.reason)] += 1
            assert not (decision.active and any(world.strings_w())), "never against heat"

    trace = io.StringIO()
    july_under_way = Rehearsal("july", july, 1, on_decision=moved, with_forecast=True, trace=trace)
    result = july_under_way.run().result()
    seen = [line.split()[:3] for line in trace.getvalue().splitlines() if line[0].isdigit()]
    elapsed_s, outside_c, house_c = np.array(seen, dtype=float).T
    mild_c = house_c[outside_c < 30.0]
    night = (elapsed_s / 3600.0 % 24.0 > 1.0) & (elapsed_s / 3600.0 % 24.0 < 4.0)
    print(
        f"region {region}: outside up to {outside_c.max():.1f}, house up to {result.house_max_c:.1f} °C, "
        f"{mild_c.max():.1f} while it is below 30 outside, {100 * (house_c > 35).mean():.1f} % of the month "
        f"above 35; from one to four at night {house_c[night].mean():.1f} °C, {outside_c[night].mean():.1f} "
        f"outside; at most {max(moves.values())} switchings an hour; {dict(reasons)}"
    )
    assert mild_c.max() < 40.0
    assert max(moves.values()) < 12
    assert Reason.DRYING in reasons or Reason.COOL_NIGHT in reasons
