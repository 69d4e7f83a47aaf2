"""Whether the parts of a site fit together: names, channels, contacts, probes, loads.

Each fault comes with its place in the file, so that ``load`` can say the line.
"""

from collections.abc import Iterable

from controller.site.earth import great_circle_km, place_of
from controller.site.electric import cold_current_a, phase_sums
from controller.site.handbook import LAMP_INRUSH_FACTOR, StringKind
from controller.site.model import Channel, Circuit, HeaterString, Site
from controller.site.told import Fault, KeyPath

# No time zone reaches this far from its principal place [km]; one that is swapped or mirrored mostly does.
FAR_FROM_ZONE_KM = 4000.0


def faults_of(site: Site) -> list[Fault]:
    """Return everything that does not fit together; an empty list is a sound site."""
    return [
        *_place_faults(site),
        *_name_faults(site),
        *_channel_faults(site),
        *_plain_faults(site),
        *_probe_faults(site),
        *_load_faults(site),
    ]


def _place_faults(site: Site) -> list[Fault]:
    """Return whether the place lies nowhere near its time zone: a sign or the two numbers were confused."""
    place = site.place
    zone = place_of(place.time_zone)
    if zone is None:
        return []
    far_km = great_circle_km(place.latitude_deg, place.longitude_deg, *zone)
    if far_km <= FAR_FROM_ZONE_KM:
        return []
    what = (
        f"{place.latitude_deg:g}, {place.longitude_deg:g} is {far_km:.0f} km from where time zone "
        f"{place.time_zone} is; see whether latitude and longitude are swapped or lack a minus "
        "sign (south and west are negative), or name the zone of the place"
    )
    return [(("place", "latitude_deg"), what)]


def _name_faults(site: Site) -> list[Fault]:
    named: list[tuple[str, KeyPath, list[str]]] = [
        ("tree", ("tree",), [tree.name for tree in site.trees]),
        ("probe", ("probe",), [probe.name for probe in site.probes]),
        ("circuit", ("circuit",), [circuit.name for circuit in site.circuits]),
        ("board", ("board",), [board.name for board in site.boards]),
        ("vent", ("vent",), [vent.name for vent in site.vents]),
    ]
    for i, board in enumerate(site.boards):
        ids = [channel.id for channel in board.channels]
        named.append((f"channel of board '{board.name}'", ("board", i, "channel"), ids))
    return [
        ((*path, i), f"{what} '{name}' is there twice; give each its own name")
        for what, path, names in named
        for i, name in enumerate(names)
        if name in names[:i]
    ]


def _strings(site: Site) -> Iterable[tuple[KeyPath, str, HeaterString]]:
    """Yield every string with its place in the file and its owner's name for people."""
    for i, tree in enumerate(site.trees):
        for j, string in enumerate(tree.strings):
            yield ("tree", i, "string", j), f"tree '{tree.name}'", string


def _channel_faults(site: Site) -> list[Fault]:
    faults: list[Fault] = []
    known = {f"{board.name}/{channel.id}": channel for board in site.boards for channel in board.channels}
    used: dict[str, str] = {}
    users = [(path, owner, string.channel) for path, owner, string in _strings(site)]
    users += [(("vent", i), f"vent '{vent.name}'", vent.channel) for i, vent in enumerate(site.vents)]
    for path, owner, name in users:
        where: KeyPath = (*path, "channel")
        if name not in known:
            faults.append((where, f"no board has channel '{name}'; known are: {_listed(known)}"))
        elif name in used:
            faults.append((where, f"channel '{name}' serves {used[name]} and {owner}; one channel, one load"))
        used.setdefault(name, owner)
    circuits = {circuit.name: circuit for circuit in site.circuits}
    for path, _, string in _strings(site):
        channel, circuit = known.get(string.channel), circuits.get(string.circuit)
        if circuit is None:
            what = f"circuit '{string.circuit}' is not described; known are: {_listed(circuits)}"
            faults.append(((*path, "circuit"), what))
        if channel is not None and channel.contact != "resting":
            faults += _working_contact_faults((*path, "channel"), string.channel, channel)
        if channel is not None and circuit is not None:
            faults += [((*path, "channel"), what) for what in _contact_faults(string, channel, circuit)]
    return faults


def _working_contact_faults(path: KeyPath, name: str, channel: Channel) -> list[Fault]:
    """Refuse a heater that stays cold with its board dead, unless its will has been seen to heat it."""
    if channel.plain is not None and channel.plain.will_proven:
        return []
    what = (
        f"channel '{name}' is a working contact: with the board dead this string would stay cold. Wire "
        "heaters on the resting contact (NC)"
    )
    if channel.plain is not None:
        what += (
            "; or pull the controller's plug, see this string come on by its will, and declare "
            "will_proven = true: with the board itself dead it stays cold even then"
        )
    return [(path, what)]


def _plain_faults(site: Site) -> list[Fault]:
    """Find topics that two channels share, or that are the contract's own."""
    faults: list[Fault] = []
    used: dict[str, str] = {}
    for i, board in enumerate(site.boards):
        for j, channel in enumerate(board.channels):
            if channel.plain is None:
                continue
            where: KeyPath = ("board", i, "channel", j)
            name, topic = f"{board.name}/{channel.id}", channel.plain.topic
            if topic in used:
                faults.append(
                    (where, f"topic '{topic}' switches {used[topic]} and {name}; one topic, one load")
                )
            if topic.startswith(("rimeward/", "$")):
                faults.append((where, f"topic '{topic}' is the contract's or the broker's own"))
            used.setdefault(topic, name)
    return faults


def _contact_faults(string: HeaterString, channel: Channel, circuit: Circuit) -> list[str]:
    running_a, needed_a = string.power_w / circuit.voltage_v, cold_current_a(string, circuit)
    if needed_a <= channel.carries_a:
        return []
    why = "" if string.kind is StringKind.CABLE else f" (cold lamps draw {LAMP_INRUSH_FACTOR:g} times that)"
    rated = f"{channel.contact_a:g} A"
    if channel.carries_a < channel.contact_a:
        rated += f" as a working contact, so {channel.carries_a:g} A as a resting one"
    return [
        (
            f"this string draws {running_a:.2f} A{why}, so the contact of channel '{string.channel}' must "
            f"carry {needed_a:.1f} A; it is rated {rated}. Use two smaller strings on two "
            "channels, or have an electrician fit a contactor and give its rating (contact_a)"
        )
    ]


def _probe_faults(site: Site) -> list[Fault]:
    faults: list[Fault] = []
    known = {probe.name: probe for probe in site.probes}
    used: dict[str, str] = {}
    for i, tree in enumerate(site.trees):
        where: KeyPath = ("tree", i, "probes")
        for name in tree.probes:
            if name not in known:
                faults.append((where, f"probe '{name}' is not described; known are: {_listed(known)}"))
            elif known[name].measures != "tree":
                faults.append((where, f"probe '{name}' measures {known[name].measures} air, not a tree's"))
            elif name in used:
                faults.append((where, f"probe '{name}' is already given to tree '{used[name]}'"))
            used.setdefault(name, tree.name)
    faults += [
        (("probe", i), f"probe '{probe.name}' measures a tree, but no tree names it")
        for i, probe in enumerate(site.probes)
        if probe.measures == "tree" and probe.name not in used
    ]
    return faults


def _load_faults(site: Site) -> list[Fault]:
    faults: list[Fault] = []
    for i, circuit in enumerate(site.circuits):
        powers_w = [string.power_w for _, _, string in _strings(site) if string.circuit == circuit.name]
        if sum(powers_w) > circuit.continuous_limit_w:
            what = (
                f"circuit '{circuit.name}' would carry {' + '.join(f'{w:g}' for w in powers_w)} = "
                f"{sum(powers_w):g} W with every string on, which is what the fail-safe does; "
                f"{circuit.voltage_v:g} V x {circuit.breaker_a:g} A x {circuit.continuous_fraction:g} allows "
                f"{circuit.continuous_limit_w:g} W for hours. Move strings to another "
                "circuit or fit smaller ones"
            )
            faults.append((("circuit", i), what))
    return [*faults, *_supply_faults(site)]


def _supply_faults(site: Site) -> list[Fault]:
    """Refuse a site whose main the fail-safe would overload, with the sums."""
    if site.supply is None:
        return []
    phases = {f"L{n + 1}" for n in range(site.supply.phases)}
    faults: list[Fault] = [
        (("circuit", i, "phase"), f"phase {circuit.phase}, but the supply has {site.supply.phases}")
        for i, circuit in enumerate(site.circuits)
        if circuit.phase not in phases
    ]
    for phase in phase_sums(site):
        if phase.total_a > phase.limit_a:
            what = (
                f"phase {phase.phase} would carry {phase.parts} = {phase.total_a:.1f} A with every string "
                f"on, which is what the fail-safe does; the main allows {phase.limit} for hours. Move "
                "circuits to another phase, fit smaller strings, or have the supply enlarged"
            )
            faults.append((("supply", "main_a"), what))
    return faults


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"'{name}'" for name in names) or "none"
