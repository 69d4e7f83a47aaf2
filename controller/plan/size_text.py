"""What sizing found, for the grower and the electrician."""

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict

from controller.plan.size import SKIES, NightKind, Sizing, TreeSize
from controller.plan.winter import BAND_K, Winter
from controller.site.explain import CAUTIONS
from controller.site.model import Site


def text_of(site: Site, sizing: Sizing, winters: Sequence[tuple[str, Winter]] = ()) -> str:
    """Return the sizing in plain words; ``winters`` are those of the site as it is and as changed."""
    return "\n".join(_lines(site, sizing, winters))


def json_of(sizing: Sizing, winters: Sequence[tuple[str, Winter]] = ()) -> str:
    """Return the sizing as one line of JSON; what is not known is null."""
    found = {"sizing": asdict(sizing), "winters": {what: asdict(winter) for what, winter in winters}}
    return json.dumps(_known(found), allow_nan=False)


def _known(value: object) -> object:
    """Return a value as JSON may hold it: NaN becomes null."""
    match value:
        case dict():
            return {str(key): _known(item) for key, item in value.items()}
        case list() | tuple():
            return [_known(item) for item in value]
        case float() if not math.isfinite(value):
            return None
        case _:
            return value


def _lines(site: Site, sizing: Sizing, winters: Sequence[tuple[str, Winter]]) -> Iterator[str]:
    yield f"{site.title}: watts to hold each tree on steady nights, all trees covered and held, vents shut"
    yield f"  soil at {sizing.soil_c:.1f} °C; from the site file's materials, which are known to about 30 %"
    yield ""
    yield f"  {'outside':26}" + "".join(f"{outside_c:8.0f} °C" for outside_c in sizing.outside_c)
    for kind in NightKind:
        yield f"  {kind} ({SKIES[kind][1]:g} m/s)"
        yield f"    {'unheated house [°C]':24}" + "".join(f"{c:8.1f}   " for c in sizing.house_c[kind])
        for tree in sizing.trees:
            yield f"    {tree.name + ' [W]':24}" + "".join(f"{w:8.0f}   " for w in tree.needs_w[kind])
    yield ""
    yield f"At {sizing.design_min_c:g} °C on the worst of these nights"
    for tree in sizing.trees:
        yield f"  {_tree_line(tree)}"
    yield f"  all together {sizing.design_w:.0f} W: {_circuits(sizing)}"
    for change in sizing.changes:
        yield f"  {change.what}: {change.design_w:.0f} W, {_saved(change.saved_share)}"
    if winters:
        yield ""
        yield from _winter_lines(winters)
    yield ""
    yield "Cautions"
    yield from (f"  {line}" for line in CAUTIONS)


def _tree_line(tree: TreeSize) -> str:
    needs = f"{tree.name}, held at {tree.hold_c:g} °C, needs {tree.design_w:.0f} W"
    if not tree.has_w > 0.0:
        return f"{needs} and has no string"
    lowest_c = max(tree.held_down_to_c.values())
    reach = f"held down to {lowest_c:g} °C" if math.isfinite(lowest_c) else "not held even at 10 °C"
    short_w = tree.design_w - tree.has_w
    verdict = f"{short_w:.0f} W too few" if short_w > 0.0 else f"{-short_w:.0f} W to spare"
    return f"{needs} and has {tree.has_w:.0f} W: {verdict}, {reach}"


def _circuits(sizing: Sizing) -> str:
    need = f"{sizing.circuits_needed} circuit{'s' if sizing.circuits_needed != 1 else ''}"
    return (
        f"{need} of {sizing.circuit_w:.0f} W for hours ({sizing.circuits_there} described); two strings a "
        "tree on two circuits keep half the heat when a breaker trips"
    )


def _saved(share: float) -> str:
    return f"{share:.0%} less" if share >= 0.0 else f"{-share:.0%} more"


def _winter_lines(winters: Sequence[tuple[str, Winter]]) -> Iterator[str]:
    _, first = winters[0]
    yield (
        f"A winter of {first.source}: {first.frost_nights} nights with frost, down to "
        f"{first.outside_min_c:.1f} °C, at {first.price_per_kwh:.3g} {first.currency} for the mean "
        "kilowatt-hour"
    )
    for what, winter in winters:
        per_tree = sum(winter.energy_kwh) / len(winter.energy_kwh)
        fruit = (
            f", {winter.cents_per_fruit:.1f} hundredths of {winter.currency} a fruit"
            if math.isfinite(winter.cents_per_fruit)
            else ""
        )
        yield f"  {what}: {per_tree:.1f} kWh a tree, {winter.cost:.2f} {winter.currency} for all{fruit}"
        cycled = sum(winter.thermostat_kwh) / len(winter.thermostat_kwh)
        yield f"    by thermostats with a band of {BAND_K:g} K and today's strings: {cycled:.1f} kWh a tree"
