"""What Rimeward understood of a site file, in plain words."""

from collections.abc import Iterator

from controller.site.codes import code_for
from controller.site.electric import electric_lines
from controller.site.handbook import CROPS, GLAZINGS
from controller.site.model import Board, Site, Tree, Vent
from controller.site.people import Mail

CAUTIONS = (
    "Mains in a damp house kills. Sockets and boards need a 30 mA residual-current device, splash-proof",
    "enclosures, and wiring by a licensed electrician to your local code (for example BS 7671 section 705 or",
    "NEC article 547); where this program and the code differ, the code is right.",
    "Hot lamps set fabric on fire. Keep 5-10 cm between every lamp and fleece, leaf or plastic; decorative",
    "lamps are not listed for unattended use: ask your electrician and your insurer.",
    "Rimeward is a control, not a safety device: the series frost-stat, the over-temperature cut-out, the",
    "breaker and the residual-current device must each work without it.",
)

# A frost-stat that passes the wiring test lets heat in air no warmer than this [°C]; the guard knows it as
# ``controller.guard.warming.CLOSED_C``.
FROST_STAT_C = 2.0


def explain(site: Site) -> str:
    """Return what was understood of a site, for its grower and its electrician."""
    return "\n".join(_lines(site))


def _lines(site: Site) -> Iterator[str]:
    place, house = site.place, site.house
    north = "N" if place.latitude_deg >= 0 else "S"
    east = "E" if place.longitude_deg >= 0 else "W"
    yield f"{site.title} ({site.name})"
    yield (
        f"  {abs(place.latitude_deg):g}° {north}, {abs(place.longitude_deg):g}° {east}, "
        f"{place.elevation_m:g} m above the sea; times are shown in {place.time_zone}"
    )
    glazing = GLAZINGS[house.glazing]
    yield (
        f"  House {house.length_m:g} x {house.width_m:g} m, ridge {house.ridge_height_m:g} m: "
        f"{house.floor_area_m2:.0f} m² of floor, {house.volume_m3:.0f} m³, {house.cover_area_m2:.0f} m² of "
        f"{house.glazing} ({glazing.still_u_w_per_m2_k:g} W/m²K in still air; {glazing.source})"
    )
    yield ""
    yield "Trees"
    for tree in site.trees:
        yield from _tree_lines(site, tree)
    yield "  where these limits come from:"
    for kind in dict.fromkeys(tree.kind for tree in site.trees):
        yield f"    {kind}: {CROPS[kind].source}"
    yield ""
    yield from _tariff_lines(site)
    yield ""
    yield "Circuits (what each carries with every string on, which is what the fail-safe does)"
    for circuit in site.circuits:
        load_w, limit_w = site.circuit_load_w(circuit.name), circuit.continuous_limit_w
        rule = circuit.local_rule or f"{circuit.continuous_fraction:.0%} for loads of hours"
        yield (
            f"  {circuit.name}: {load_w:g} W = {load_w / circuit.voltage_v:.1f} A of "
            f"{circuit.breaker_a:g} A at {circuit.voltage_v:g} V on {circuit.phase}; "
            f"{limit_w:g} W allowed ({rule}); {limit_w - load_w:g} W to spare"
        )
    yield from electric_lines(site)
    yield ""
    yield "If the controller, the broker or the network dies"
    yield from _fail_safe_lines(site)
    for board in site.boards:
        if board.is_plain:
            yield from _plain_lines(site, board)
    yield ""
    yield "Forecast"
    yield from _forecast_lines(site)
    yield ""
    yield "Alarms"
    yield from _alarm_lines(site)
    yield ""
    yield "Cautions"
    yield from (f"  {line}" for line in CAUTIONS)
    yield f"  Wiring code to ask about: {code_for(place.country)}."


def _tariff_lines(site: Site) -> Iterator[str]:
    tariff = site.tariff
    yield "Electricity"
    if tariff.night_price_per_kwh is None:
        yield f"  {tariff.price_per_kwh:g} {tariff.currency} a kilowatt-hour at all times"
        return
    yield (
        f"  {tariff.price_per_kwh:g} {tariff.currency} a kilowatt-hour, {tariff.night_price_per_kwh:g} from "
        f"{tariff.night_from:%H:%M} to {tariff.night_until:%H:%M} by the clock on the wall"
    )


def _tree_lines(site: Site, tree: Tree) -> Iterator[str]:
    crop = CROPS[tree.kind]
    set_by = "set in the file" if tree.hold_c is not None else "common practice for this kind"
    layers = f"{tree.fleece_layers} layers of " if tree.fleece_layers > 1 else ""
    cover = "no fleece" if tree.fleece == "none" else f"{layers}{tree.fleece} fleece"
    yield (
        f"  {tree.name}: {tree.kind} under {cover}, {tree.fruit_count} fruit worth "
        f"{tree.crop_value:g} {site.tariff.currency}"
    )
    yield (
        f"    held above {tree.hold_or_default_c:g} °C ({set_by}); ripe fruit is damaged at "
        f"{crop.fruit_damage_c:g} °C"
    )
    if tree.hold == "risk":
        lowest_c, highest_c = tree.hold_range_c
        yield f"    the plan may hold it between {lowest_c:g} and {highest_c:g} °C, as the night's risk asks"
    if not tree.strings:
        yield "    no string: its temperature is watched, nothing can heat it"
        return
    parts = " + ".join(f"{s.power_w:g} W ({s.channel}, circuit {s.circuit})" for s in tree.strings)
    yield f"    heat: {parts}"
    highest_c = tree.hold_range_c[1]
    if highest_c > FROST_STAT_C:
        yield (
            f"    advice: set the frost-stats of {tree.name} to some {highest_c + 2.0:g} °C, 2 K above its "
            "hold temperature. The mark decides: whatever the controller orders, a string comes on only in "
            f"air down to the mark (the wiring test asks for {FROST_STAT_C:g} to 5 °C and does not compare)"
        )
    if len({s.circuit for s in tree.strings}) == 1:
        yield "    advice: put its strings on two circuits, so that one tripped breaker cannot cost the tree"


def _fail_safe_lines(site: Site) -> Iterator[str]:
    total_w = sum(tree.power_w for tree in site.trees)
    cost = total_w / 1000 * site.tariff.price_per_kwh
    own = [board for board in site.boards if board.own_thermostat]
    kept = "and stays on, save as said next: at most" if own else "and stays on:"
    yield (
        f"  every heater comes on by itself within 300 s {kept} {total_w:g} W, "
        f"{cost:.2f} {site.tariff.currency} an hour at {site.tariff.price_per_kwh:g} per kWh, less what the "
        "series frost-stats save"
    )
    for board in own:
        power_w = sum(
            s.power_w for t in site.trees for s in t.strings if s.channel.startswith(f"{board.name}/")
        )
        yield (
            f"  board {board.name} has a thermostat of its own: those of its heaters ({power_w:g} W) that "
            "its own file gives a probe may rest in air above the rest_above_c of that file, 4 °C "
            "unless it says otherwise"
        )
    for board in site.boards:
        loads = {s.channel: f"heats {t.name}" for t in site.trees for s in t.strings}
        loads |= {vent.channel: f"vent {vent.name} {_rest(vent)}" for vent in site.vents}
        for channel in board.channels:
            name = f"{board.name}/{channel.id}"
            yield f"    {name} ({channel.contact} contact): {loads.get(name, 'nothing is wired to it')}"


def _plain_lines(site: Site, board: Board) -> Iterator[str]:
    """Say what a board that knows only texts can and cannot be trusted with."""
    yield f"  board {board.name} knows only texts and keeps the last one; what that means:"
    yield "    controller killed: the broker says the text of heat at once; frozen or cut off: within 15 s"
    if board.cut_off == "rests":
        yield "    board cut off, or the broker dead: its coils go dead by themselves, as you declare: try it"
    else:
        yield (
            "    board cut off, or the broker dead, while a string rests: NOBODY can switch that string on. "
            "It stays off until the board is reached or its plug is pulled"
        )
    for channel in board.channels:
        if channel.plain is None:
            continue
        name = f"{board.name}/{channel.id}"
        if not channel.plain.will_proven:
            yield (
                f"    advice: {name}: pull the controller's plug, see that it takes its "
                "rest within 15 s, then declare will_proven = true"
            )
        if channel.contact == "working" and any(s.channel == name for t in site.trees for s in t.strings):
            yield f"    {name} hangs on a working contact: with the board dead it stays cold"
        if channel.plain.echo_topic is None:
            yield f"    {name} has no echo: only warmth can prove that it switches"
    for tree in site.trees:
        boards = {string.channel.partition("/")[0] for string in tree.strings}
        if boards == {board.name} and board.cut_off == "keeps":
            yield (
                f"    advice: every string of {tree.name} hangs on this board; hang one on a board that "
                "obeys leases, so that one cut cable cannot cost the tree"
            )


def _rest(vent: Vent) -> str:
    if vent.rest == "open":
        return "opens: on a frost night that lets the cold in; 'shut' is the careful choice"
    return "shuts or stops: a hot day then goes unvented"


def _alarm_lines(site: Site) -> Iterator[str]:
    alarm = site.alarm
    if not alarm.ways:
        yield "  nobody is told: add [[alarm.mail]] or [[alarm.messenger]]; the page and the bus show alarms"
    for way in alarm.ways:
        later = f", once it has stood unacknowledged for {way.after_min:g} min" if way.after_min else ""
        kind = "mail" if isinstance(way, Mail) else "messenger"
        yield f"  {way.name}: {kind}, from severity {way.from_severity} of 4 on{later}"
    if alarm.quiet_from is not None:
        yield f"  from {alarm.quiet_from} to {alarm.quiet_until} only severity 4 wakes anybody"
    yield f"  sign of life: {f'daily at {alarm.daily_at}' if alarm.daily_at else 'none'}"
    if alarm.dead_man is None:
        yield "  no dead-man: when the whole site is dark, nobody is told"
    else:
        every = f"{alarm.dead_man.every_min:g} min"
        yield f"  dead-man: an address outside, fetched every {every} while control works"


def _forecast_lines(site: Site) -> Iterator[str]:
    if not site.forecast.services:
        yield "  no service named: the guard holds each tree from its probes alone, and nobody warns ahead"
    for service in site.forecast.services:
        yield f"  {service.kind} at {service.url} ({site.forecast.use} use)"
        if service.kind in {"met-norway", "nws"}:
            yield "    it gives no sunshine: the model takes none, so that it errs on the cold side by day"
            if not site.forecast.contact:
                yield "    it is not asked without a contact (a mail or web address) in [forecast]: its terms"
        if site.forecast.use == "commercial" and service.is_free_for_hobby_only:
            yield (
                "  the free host of this service is for non-commercial use; selling fruit is commercial. "
                "Take a key (key_file, base_url) or name another service"
            )
