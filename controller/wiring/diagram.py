"""The wiring diagram, drawn from the site file: a single-line drawing of each circuit, and one of the vents.

Symbols follow IEC 60617 as far as a line of text can (from memory): a contact that is closed at rest, a
thermostat as a box with its direction, a lamp as a crossed circle, a cable as a resistor.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from controller.site.handbook import StringKind
from controller.site.model import Circuit, Site

ROW, TOP, WIDTH = 34, 44, 720
# More rows make another drawing, so that none is longer than a page.
ROWS = 16
# Where things stand from left to right.
BUS_X, CONTACT_X, STAT_X, CUT_X, LOAD_X, NEUTRAL_X, TREE_X = 150, 196, 318, 386, 456, 512, 552


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """One drawing and what it shows."""

    title: str
    svg: Markup


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One line of a drawing: a contact, what follows it, and the load."""

    channel: str
    contact: str
    guarded: bool
    symbol: str
    label: str
    where: str


def drawings_of(site: Site, marked: Collection[str] = ()) -> list[Drawing]:
    """Return the drawings of a site, each small enough to stay on one page.

    ``marked`` are tags and channels where something is wrong.
    """
    found = [
        Drawing(title=_circuit_title(site, circuit), svg=_draw(_feed(circuit), rows[n : n + ROWS], marked))
        for circuit in site.circuits
        if (rows := _string_rows(site, circuit))
        for n in range(0, len(rows), ROWS)
    ]
    vents = _vent_rows(site)
    if vents:
        feed = ("own supply", "as fitted", "RCD 30 mA")
        found.append(Drawing(title="Vents", svg=_draw(feed, vents, marked)))
    return found


def _circuit_title(site: Site, circuit: Circuit) -> str:
    load_w = site.circuit_load_w(circuit.name)
    load = f"{load_w:g} W = {load_w / circuit.voltage_v:.1f} A"
    return f"Circuit {circuit.name}, {circuit.phase}: {load} with every string on"


def _feed(circuit: Circuit) -> tuple[str, str, str]:
    return f"{circuit.phase}  {circuit.voltage_v:g} V", f"{circuit.breaker_a:g} A", "RCD 30 mA"


def _string_rows(site: Site, circuit: Circuit) -> list[_Row]:
    contacts = {f"{b.name}/{c.id}": c.contact for b in site.boards for c in b.channels}
    return [
        _Row(
            channel=string.channel,
            contact="NC" if contacts.get(string.channel) == "resting" else "NO",
            guarded=True,
            symbol="cable" if string.kind is StringKind.CABLE else "lamp",
            label=f"{string.power_w:g} W",
            where=f"{tree.name}-{number}",
        )
        for tree in site.trees
        for number, string in enumerate(tree.strings, start=1)
        if string.circuit == circuit.name
    ]


def _vent_rows(site: Site) -> list[_Row]:
    contacts = {f"{b.name}/{c.id}": c.contact for b in site.boards for c in b.channels}
    return [
        _Row(
            channel=vent.channel,
            contact="NC" if contacts.get(vent.channel) == "resting" else "NO",
            guarded=False,
            symbol="motor",
            label=f"rests {vent.rest}",
            where=vent.name,
        )
        for vent in site.vents
    ]


def _draw(feed: tuple[str, str, str], rows: Sequence[_Row], marked: Collection[str]) -> Markup:
    height = TOP + ROW * len(rows) + 6
    lines = [
        _group(row, y, Markup("").join(_line(row, y)), marked)
        for row, y in zip(rows, range(TOP + 12, height, ROW), strict=False)
    ]
    body = Markup("").join((*_head(feed, len(rows)), *lines))
    return Markup('<svg viewBox="0 0 {} {}" role="img" xmlns="http://www.w3.org/2000/svg">{}</svg>').format(
        WIDTH, height, body
    )


def _head(feed: tuple[str, str, str], rows: int) -> Iterable[Markup]:
    supply, breaker, residual = feed
    middle = TOP + 12
    end = TOP + ROW * (rows - 1) + 12
    heads = (
        (CONTACT_X + 34, "relay contact"),
        (STAT_X + 20, "frost-stat"),
        (CUT_X + 20, "cut-out"),
        (LOAD_X + 8, "load"),
    )
    yield from (_text(x, 14, word, "h m") for x, word in heads)
    yield _text(TREE_X, 14, "tag at the plug", "h")
    yield _text(0, 14, supply, "h")
    yield _path(f"M0 {middle}H34 M78 {middle}H96 M128 {middle}H{BUS_X}")
    yield _path(f"M34 {middle}l16 -12 M50 {middle}H78")  # a breaker, drawn open as the standard draws it
    yield _path(f"M47 {middle - 3}l6 6 M53 {middle - 3}l-6 6")
    yield _text(42, middle + 20, breaker, "m")
    yield Markup('<rect x="96" y="{}" width="32" height="18"/>').format(middle - 9)
    yield _text(112, middle + 4, "I Δn", "m s")
    yield _text(112, middle + 22, residual, "m")
    if rows > 1:
        yield _path(f"M{BUS_X} {middle}V{end}")


def _group(row: _Row, y: int, line: Markup, marked: Collection[str]) -> Markup:
    if not {row.channel, row.where} & set(marked):
        return Markup('<g class="right">{}</g>').format(line)
    cross = _text(TREE_X - 14, y + 4, "\u2717", "b")  # seen without colour too
    return Markup('<g class="wrong">{}{}</g>').format(line, cross)


def _line(row: _Row, y: int) -> Iterable[Markup]:
    yield Markup('<circle class="dot" cx="{}" cy="{}" r="2.4"/>').format(BUS_X, y)
    yield _path(f"M{BUS_X} {y}H{CONTACT_X}")
    yield from _contact(row, y)
    yield _path(f"M{CONTACT_X + 32} {y}H{STAT_X if row.guarded else LOAD_X}")
    if row.guarded:
        yield from _box(STAT_X, y, "ϑ <")
        yield _path(f"M{STAT_X + 40} {y}H{CUT_X}")
        yield from _box(CUT_X, y, "ϑ >")
        yield _path(f"M{CUT_X + 40} {y}H{LOAD_X}")
    yield from _load(row.symbol, y)
    wide = 34 if row.symbol == "cable" else 18
    yield _path(f"M{LOAD_X + wide} {y}H{NEUTRAL_X}")
    yield _text(NEUTRAL_X + 4, y + 4, "N", "s")
    yield _text(TREE_X, y + 4, row.where, "b")
    yield _text(WIDTH, y + 4, row.label, "e")


def _contact(row: _Row, y: int) -> Iterable[Markup]:
    if row.contact == "NC":  # closed at rest: the blade lies beyond its stop
        yield _path(f"M{CONTACT_X} {y}L{CONTACT_X + 34} {y - 9} M{CONTACT_X + 32} {y - 12}V{y}")
    else:
        yield _path(f"M{CONTACT_X} {y}L{CONTACT_X + 28} {y - 12}")
    yield _text(CONTACT_X + 42, y - 6, f"{row.channel}  {row.contact}", "s")


def _box(x: int, y: int, word: str) -> Iterable[Markup]:
    yield Markup('<rect x="{}" y="{}" width="40" height="18"/>').format(x, y - 9)
    yield _text(x + 20, y + 4, word, "m")


def _load(symbol: str, y: int) -> Iterable[Markup]:
    x = LOAD_X
    if symbol == "cable":
        yield Markup('<rect x="{}" y="{}" width="34" height="12"/>').format(x, y - 6)
        return
    yield Markup('<circle cx="{}" cy="{}" r="9"/>').format(x + 9, y)
    if symbol == "lamp":
        yield _path(f"M{x + 2.6} {y - 6.4}l12.8 12.8 M{x + 15.4} {y - 6.4}l-12.8 12.8")
    else:
        yield _text(x + 9, y + 4, "M", "m")


def _path(d: str) -> Markup:
    return Markup('<path d="{}"/>').format(d)


def _text(x: float, y: float, words: str, kind: str = "") -> Markup:
    return Markup('<text x="{}" y="{}" class="{}">{}</text>').format(x, y, kind, escape(words))
