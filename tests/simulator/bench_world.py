"""How fast the simulated world is: run ``python -m tests.simulator.bench_world``.  Figures, no verdict.

Ratios are against the same step written out link by link, timed in the same run.
"""

import sys
import time

from controller.bus.memory import MemoryBus
from controller.site.load import example_site, load_site
from simulator.night import load_night
from simulator.plant import Plant
from simulator.world import World, baseline
from tests.simulator.conftest import weather
from tests.simulator.reference import reference_step

ROUNDS = 7


def best_us(action, count):
    """Return the best mean time of an action over some rounds [µs]."""
    times_s = []
    for _ in range(ROUNDS):
        begun_s = time.perf_counter()
        for _ in range(count):
            action()
        times_s.append((time.perf_counter() - begun_s) / count)
    return min(times_s) * 1e6


def main() -> None:
    site = load_site(example_site("curlew-yard"))
    plant, frost, idle = Plant(site), weather(-6.0), [175.0] * len(site.trees)
    plant_us = best_us(lambda: plant.step(60.0, frost, idle), 500)
    before_k, _, _, source_w, dt_s = plant._last
    slow_us = best_us(
        lambda: reference_step(plant._network, plant._coefficients, before_k, source_w, 0.5, dt_s), 50
    )
    print(f"plant, {plant._nodes.count} nodes, {len(site.trees)} trees: {plant_us:.0f} µs a step")
    print(f"  the same links by loops, without vapour: {slow_us:.0f} µs, {slow_us / plant_us:.1f} times that")

    bus = MemoryBus()
    world = World.of_night(load_night("clear-calm"), 1, bus.connect)

    def minute():
        world.step(60.0)
        bus.advance(world.elapsed_s)
        bus.deliver()

    world_us = best_us(minute, 150)
    print(f"world with boards, probes and bus: {world_us:.0f} µs a step, {world_us / plant_us:.1f} plants")
    print(f"  180 days at 60 s: {world_us * 180 * 1440 / 1e6:.0f} s without a controller")
    night_us = best_us(lambda: baseline(load_night("clear-calm"), 1), 1)
    print(f"a night without heat, spin-up included: {night_us / 1e3:.0f} ms")
    print(f"python {sys.version.split()[0]}")


if __name__ == "__main__":
    main()
