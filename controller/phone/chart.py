"""The picture of the night: an SVG drawn here, without any library, and the same figures as a table.

Lines are told apart by dashes and by their names at the end, never by colour alone.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from markupsafe import Markup

from controller.bus.messages import ComingStatus
from controller.phone.figures import Figures
from controller.phone.history import PAST_S, History, Points, Spans
from controller.phone.words import say
from controller.site.model import Site, Tree

COMING_S = 48 * 3600.0
WIDTH, HEIGHT = 360.0, 248.0
LEFT, RIGHT, TOP, BOTTOM = 30.0, 4.0, 22.0, 194.0
STRIP_TOP, VENT_STRIP_TOP, STRIP_HEIGHT = 206.0, 218.0, 8.0
TICK_HOURS = 12
# Ten percent of outcomes lie above and ten below this many standard deviations (normal distribution).
BAND_80 = 1.2816
# A gap longer than this in the readings is left blank.
GAP_S = 1900.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One temperature over time."""

    css: str
    label: str
    past: Points = ()
    coming: Points = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """The picture, what it shows in one sentence, and its figures as rows."""

    svg: Markup
    says: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def chart_of(
    site: Site, history: History, coming: ComingStatus | None, figures: Figures, now: datetime
) -> Chart | None:
    """Return the picture of the past night and the coming hours; None where there is nothing to draw.

    The tree drawn is the one the outlook calls the one with the least to spare, else the coldest lately.
    """
    tree = _tree_to_draw(site, history, coming)
    lines = _lines(site, tree, history, coming, now)
    temps_c = [temp_c for line in lines for _, temp_c in (*line.past, *line.coming)]
    if not temps_c:
        return None
    scale = _Scale.over([*temps_c, tree.hold_or_default_c], figures, now.timestamp())
    parts = [
        *_grid(scale, figures, now),
        *_band(scale, coming),
        *(part for line in lines for part in _draw(scale, line)),
        *_limit(scale, tree, figures),
        *_strip(scale, history.heated.get(tree.name, ()), coming, tree),
        *_vent_strip(scale, site, history),
    ]
    says = _says(lines, tree, figures, now) + _says_of_vents(history, now)
    svg = (
        Markup('<svg viewBox="0 0 {} {}" role="img" aria-label="{}">').format(WIDTH, HEIGHT, says)
        + Markup("").join(parts)
        + Markup("</svg>")
    )
    heads = (say("time"), *(line.label for line in lines))
    return Chart(svg=svg, says=says, heads=heads, rows=_rows(lines, figures, now))


@dataclass(frozen=True, slots=True)
class _Scale:
    low: float
    high: float
    now_s: float
    figures: Figures

    @classmethod
    def over(cls, temps_c: Sequence[float], figures: Figures, now_s: float) -> "_Scale":
        step = _step(figures)
        low = min(map(figures.shown, temps_c)) // step * step
        high = -(-max(map(figures.shown, temps_c)) // step) * step
        return cls(low, max(high, low + step), now_s, figures)

    def x(self, at_s: float) -> float:
        share = (at_s - self.now_s + PAST_S) / (PAST_S + COMING_S)
        return round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)

    def y(self, temp_c: float) -> float:
        share = (self.figures.shown(temp_c) - self.low) / (self.high - self.low)
        return round(BOTTOM - share * (BOTTOM - TOP), 1)

    def y_shown(self, number: float) -> float:
        return round(BOTTOM - (number - self.low) / (self.high - self.low) * (BOTTOM - TOP), 1)


def _step(figures: Figures) -> float:
    return 10.0 if figures.fahrenheit else 5.0


def _tree_to_draw(site: Site, history: History, coming: ComingStatus | None) -> Tree:
    by_name = {tree.name: tree for tree in site.trees}
    if coming is not None and coming.tree in by_name:
        return by_name[coming.tree]

    def latest_c(tree: Tree) -> float:
        return min((history.probes_c[p][-1][1] for p in tree.probes if p in history.probes_c), default=99.0)

    return min(site.trees, key=latest_c)


def _lines(
    site: Site, tree: Tree, history: History, coming: ComingStatus | None, now: datetime
) -> tuple[Line, ...]:
    def past(names: Iterable[str]) -> Points:
        return next((history.probes_c[name] for name in names if name in history.probes_c), ())

    def ahead(values_c: Sequence[float]) -> Points:
        if coming is None:
            return ()
        start_s, ends_s = coming.starts_at.timestamp(), now.timestamp() + COMING_S
        at_s = (start_s + 3600.0 * hour for hour in range(len(values_c)))
        points = zip(at_s, values_c, strict=True)
        return tuple((t, c) for t, c in points if now.timestamp() - 3600.0 <= t <= ends_s)

    return (
        Line(
            css="outside",
            label=say("outside"),
            past=past(probe.name for probe in site.probes_of("outside")),
            coming=ahead(coming.outside_c if coming else ()),
        ),
        Line(
            css="house",
            label=say("house"),
            past=past(probe.name for probe in site.probes_of("house")),
            coming=ahead(coming.house_c if coming else ()),
        ),
        Line(
            css="tree",
            label=say("picture-tree", name=tree.name),
            past=past(tree.probes),
            coming=ahead(coming.held_air_c if coming and coming.tree == tree.name else ()),
        ),
    )


def _grid(scale: _Scale, figures: Figures, now: datetime) -> Iterable[Markup]:
    number, step = scale.low, _step(figures)
    while number <= scale.high:
        y = scale.y_shown(number)
        yield Markup('<path class="grid" d="M{} {}H{}"/>').format(LEFT, y, WIDTH - RIGHT)
        yield Markup('<text x="{}" y="{}" class="axis end">{}</text>').format(
            LEFT - 4, y + 4, f"{number:.0f}".replace("-", "\N{MINUS SIGN}")
        )
        number += step
    yield Markup('<text x="2" y="10" class="axis">{}</text>').format(figures.unit)
    for at in _ticks(figures, now):
        x = scale.x(at.timestamp())
        yield Markup('<path class="grid" d="M{} {}V{}"/>').format(x, TOP, BOTTOM)
        yield Markup('<text x="{}" y="{}" class="axis middle">{}</text>').format(
            x, HEIGHT - 4, _tick_text(at, figures)
        )
    x = scale.x(scale.now_s)
    yield Markup('<path class="present" d="M{} {}V{}"/>').format(x, TOP, VENT_STRIP_TOP + STRIP_HEIGHT)
    yield Markup('<text x="{}" y="10" class="axis middle">{}</text>').format(x, say("now-line"))


def _ticks(figures: Figures, now: datetime) -> Iterable[datetime]:
    local = (now - timedelta(seconds=PAST_S)).astimezone(figures.zone)
    at = local.replace(hour=local.hour // TICK_HOURS * TICK_HOURS, minute=0, second=0, microsecond=0)
    while at.timestamp() <= now.timestamp() + COMING_S:
        if at.timestamp() >= now.timestamp() - PAST_S + 3600.0:
            yield at
        # the wall clock's own hours, so that ticks stay on them over a change to summer time
        at += timedelta(hours=TICK_HOURS)


def _tick_text(at: datetime, figures: Figures) -> str:
    if at.hour == 0:
        return f"{at:%a}"
    return say("noon") if figures.twelve_hours else f"{at:%H}"


def _band(scale: _Scale, coming: ComingStatus | None) -> Iterable[Markup]:
    """Yield the band in which the outside stays in eight cases of ten."""
    if coming is None or len(coming.outside_spread_k) != len(coming.outside_c) or not coming.outside_c:
        return
    start_s = coming.starts_at.timestamp()
    hours = [
        (start_s + 3600.0 * hour, temp_c, BAND_80 * spread_k)
        for hour, (temp_c, spread_k) in enumerate(zip(coming.outside_c, coming.outside_spread_k, strict=True))
        if scale.now_s - 3600.0 <= start_s + 3600.0 * hour <= scale.now_s + COMING_S
    ]
    edge = [(at_s, c + k) for at_s, c, k in hours] + [(at_s, c - k) for at_s, c, k in reversed(hours)]
    points = " ".join(f"{scale.x(at_s)},{min(BOTTOM, max(TOP, scale.y(temp_c)))}" for at_s, temp_c in edge)
    yield Markup('<polygon class="band" points="{}"/>').format(points)


def _limit(scale: _Scale, tree: Tree, figures: Figures) -> Iterable[Markup]:
    y = scale.y(tree.hold_or_default_c)
    yield Markup('<path class="limit" d="M{} {}H{}"/>').format(LEFT, y, WIDTH - RIGHT)
    yield Markup('<text x="{}" y="{}" class="axis end halo">{} {}</text>').format(
        WIDTH - RIGHT, y - 3, say("limit"), figures.temp(tree.hold_or_default_c)
    )


def _draw(scale: _Scale, line: Line) -> Iterable[Markup]:
    if line.past:
        yield Markup('<path class="line {}" d="{}"/>').format(line.css, _path(scale, line.past, GAP_S))
    if line.coming:
        yield Markup('<path class="line {} ahead" d="{}"/>').format(
            line.css, _path(scale, line.coming, 7200.0)
        )


def _path(scale: _Scale, points: Points, gap_s: float) -> str:
    steps = [f"M{scale.x(points[0][0])} {scale.y(points[0][1])}"]
    for (before_s, _), (at_s, temp_c) in pairwise(points):
        letter = "L" if at_s - before_s <= gap_s else "M"
        steps.append(f"{letter}{scale.x(at_s)} {scale.y(temp_c)}")
    return "".join(steps)


def _strip(scale: _Scale, heated: Spans, coming: ComingStatus | None, tree: Tree) -> Iterable[Markup]:
    """Yield when the tree was heated, and the time in which heat is expected."""
    yield Markup('<text x="2" y="{}" class="axis">{}</text>').format(STRIP_TOP + 8, say("strip-heat"))
    for begin_s, end_s in _within_past(heated, scale.now_s):
        yield _bar(scale, begin_s, end_s, "heated")
    if coming and coming.tree == tree.name:
        for begin_s, end_s in _expected(coming, scale.now_s):
            yield _bar(scale, begin_s, end_s, "heated ahead")


def _vent_strip(scale: _Scale, site: Site, history: History) -> Iterable[Markup]:
    """Yield when any vent was open; what vents will do is decided by the house's warmth as it comes."""
    if not site.vents:
        return
    yield Markup('<text x="2" y="{}" class="axis">{}</text>').format(VENT_STRIP_TOP + 8, say("strip-vents"))
    for spans in history.aired.values():
        for begin_s, end_s in _within_past(spans, scale.now_s):
            yield _bar(scale, begin_s, end_s, "aired", VENT_STRIP_TOP)


def _within_past(spans: Spans, now_s: float) -> Spans:
    """Return what of some spans lies in the past that is drawn."""
    begin_s = now_s - PAST_S
    return tuple((max(begin, begin_s), end) for begin, end in spans if end > begin_s)


def _says_of_vents(history: History, now: datetime) -> str:
    """Return for how long the vent that was open longest was so; empty where none was."""
    open_s = [
        sum(end - begin for begin, end in _within_past(spans, now.timestamp()))
        for spans in history.aired.values()
    ]
    return say("picture-vents", hours=f"{max(open_s) / 3600.0:.1f}") if any(open_s) else ""


def _expected(coming: ComingStatus, now_s: float) -> Spans:
    """Return when heat is expected from now on, hours that follow one another joined."""
    spans: list[tuple[float, float]] = []
    for hour, kwh in enumerate(coming.tree_heat_kwh):
        begin_s = coming.starts_at.timestamp() + 3600.0 * hour
        end_s = min(begin_s + 3600.0, now_s + COMING_S)
        if not kwh > 0.0 or end_s <= max(begin_s, now_s):
            continue
        if spans and spans[-1][1] == begin_s:
            begin_s = spans.pop()[0]
        spans.append((max(begin_s, now_s), end_s))
    return tuple(spans)


def _bar(scale: _Scale, begin_s: float, end_s: float, css: str, top: float = STRIP_TOP) -> Markup:
    x = scale.x(begin_s)
    return Markup('<rect class="{}" x="{}" y="{}" width="{}" height="{}"/>').format(
        css, x, top, round(max(1.0, scale.x(end_s) - x), 1), STRIP_HEIGHT
    )


def _says(lines: tuple[Line, ...], tree: Tree, figures: Figures, now: datetime) -> str:
    def span(line: Line) -> str:
        temps_c = [temp_c for _, temp_c in (*line.past, *line.coming)]
        if not temps_c:
            return figures.temp(None)
        return say("span", low=figures.temp(min(temps_c)), high=figures.temp(max(temps_c)))

    return say(
        "picture-of",
        begin=figures.time(now - timedelta(seconds=PAST_S), now),
        end=figures.time(now + timedelta(seconds=COMING_S), now),
        outside=span(lines[0]),
        house=span(lines[1]),
        tree=tree.name,
        air=span(lines[2]),
    )


def _rows(lines: tuple[Line, ...], figures: Figures, now: datetime) -> tuple[tuple[str, ...], ...]:
    """Return every second hour as a row of the table."""
    table: list[tuple[str, ...]] = []
    for hour in range(-round(PAST_S / 3600.0), round(COMING_S / 3600.0) + 1, 2):
        at = now + timedelta(hours=hour)
        cells = [_nearest(line.past if hour <= 0 else line.coming, at.timestamp(), figures) for line in lines]
        if any(cell is not None for cell in cells):
            label = figures.time(at, now) + (f" ({say('expected')})" if hour > 0 else "")
            table.append((label, *(cell or figures.temp(None) for cell in cells)))
    return tuple(table)


def _nearest(points: Points, at_s: float, figures: Figures) -> str | None:
    near = [(abs(t - at_s), temp_c) for t, temp_c in points if abs(t - at_s) <= 1900.0]
    return figures.temp(min(near)[1]) if near else None
