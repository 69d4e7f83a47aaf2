"""A season as one page with pictures, whole in itself: nothing is loaded from elsewhere."""

from collections.abc import Sequence
from datetime import tzinfo
from typing import cast

from controller.markup import NOTHING, Markup, fill, lines
from controller.report.season import NightUse, Season
from controller.report.season_text import Part
from controller.site.explain import CAUTIONS

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 720.0, 240.0, 60.0, 48.0, 16.0, 208.0
_STYLE = """
:root { color-scheme: light dark; --heat: #a83a00; --cold: #005f9e; --edge: #6b7278; }
@media (prefers-color-scheme: dark) { :root { --heat: #ffa36b; --cold: #7cc4f5; --edge: #7d8791; } }
body { font: 1rem/1.45 system-ui, sans-serif; max-width: 52rem; margin: 1rem auto; padding: 0 .75rem; }
table { border-collapse: collapse; display: block; overflow-x: auto; font-variant-numeric: tabular-nums; }
th, td { padding: .2rem .6rem; border-bottom: 1px solid var(--edge); text-align: right; white-space: nowrap; }
thead th { white-space: normal; vertical-align: bottom; }
th:first-child, td:first-child { text-align: left; }
pre { overflow-x: auto; font-size: .8125rem; }
svg { width: 100%; height: auto; }
svg text { font: 11px system-ui, sans-serif; fill: currentColor; }
.heat { fill: var(--heat); }
.cold { fill: none; stroke: var(--cold); stroke-width: 2; stroke-dasharray: 5 2; }
.axis { stroke: var(--edge); } .end { text-anchor: end; }
footer { border-top: 1px solid var(--edge); margin-top: 2rem; font-size: .875rem; }
"""


def page_of(title: str, season: Season, parts: Sequence[Part], zone: tzinfo) -> str:
    """Return the page (HTML)."""
    first, *others = map(_part, parts)
    return fill(
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n<title>{title}</title>\n'
        "<style>{style}</style>\n</head>\n<body>\n<main>\n<h1>{title}</h1>\n{first}\n{picture}\n{others}\n"
        "</main>\n<footer><p>{cautions}</p></footer>\n</body>\n</html>\n",
        title=title,
        style=Markup(_STYLE),
        first=first,
        picture=_nights(season, zone) if season.nights else NOTHING,
        others=lines(others),
        cautions=" ".join(CAUTIONS),
    )


def _part(part: Part) -> Markup:
    # a table made of spaces keeps them
    spaced = any("   " in sentence for sentence in part.sentences)
    sentences = (
        fill("<pre>{text}</pre>", text="\n".join(part.sentences))
        if spaced
        else lines(fill("<p>{text}</p>", text=sentence) for sentence in part.sentences)
    )
    return fill(
        "<section>\n<h2>{title}</h2>\n{sentences}\n{table}\n</section>",
        title=part.title,
        sentences=sentences,
        table=_table(part.rows) if part.rows else NOTHING,
    )


def _table(rows: Sequence[Sequence[str]]) -> Markup:
    head, *body = rows
    return fill(
        '<table tabindex="0">\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody>\n</table>',
        head=NOTHING.join(fill('<th scope="col">{cell}</th>', cell=cell) for cell in head),
        body=lines(
            fill(
                '<tr><th scope="row">{name}</th>{cells}</tr>',
                name=name,
                cells=NOTHING.join(fill("<td>{cell}</td>", cell=cell) for cell in cells),
            )
            for name, *cells in body
        ),
    )


def _nights(season: Season, zone: tzinfo) -> Markup:
    """Return a picture: each night's heat as a bar, the coldest outside as a line."""
    nights = season.nights
    most_kwh = max(night.energy_kwh for night in nights) or 1.0
    known = [night for night in nights if night.outside_min_c is not None]
    temps_c = [cast("float", night.outside_min_c) for night in known]
    low_c, high_c = min(temps_c, default=0.0), max(0.0, max(temps_c, default=0.0))
    first_s, last_s = nights[0].evening.timestamp(), nights[-1].evening.timestamp()
    step = (WIDTH - LEFT - RIGHT) / ((last_s - first_s) / 86400.0 + 1.0)

    def x(night: NightUse) -> float:
        return round(LEFT + (night.evening.timestamp() - first_s) / 86400.0 * step, 1)

    def y(share: float) -> float:
        return round(BOTTOM - share * (BOTTOM - TOP), 1)

    def temp_y(temp_c: float) -> float:
        return y((temp_c - low_c) / ((high_c - low_c) or 1.0))

    bars = (
        fill(
            '<rect class="heat" x="{x}" y="{y}" width="{width}" height="{height}"/>',
            x=x(night),
            y=y(night.energy_kwh / most_kwh),
            width=round(0.8 * step, 1),
            height=round(BOTTOM - y(night.energy_kwh / most_kwh), 1),
        )
        for night in nights
    )
    points = " ".join(
        f"{x(night) + 0.4 * step:.1f},{temp_y(cast('float', night.outside_min_c))}" for night in known
    )
    says = (
        f"Heat in each night, {most_kwh:.1f} kWh at most (bars), and the coldest outside, "
        f"down to {low_c:.1f} °C (dashed line)."
    )
    return fill(
        '<figure>\n<svg viewBox="0 0 {width} {height}" role="img" aria-label="{says}">\n{bars}\n'
        '<polyline class="cold" points="{points}"/>\n'
        '<path class="axis" d="M{left} {bottom}H{right}"/>\n'
        '<text class="end" x="{before}" y="{top}">{most} kWh</text>'
        '<text class="end" x="{before}" y="{bottom}">0</text>'
        '<text x="{after}" y="{high_y}">{high} °C</text><text x="{after}" y="{bottom}">{low} °C</text>'
        '<text x="{left}" y="{below}">{first}</text><text class="end" x="{right}" y="{below}">{last}</text>\n'
        "</svg>\n<figcaption>{says}</figcaption>\n</figure>",
        width=WIDTH,
        height=HEIGHT,
        says=says,
        bars=lines(bars),
        points=points,
        left=LEFT,
        right=WIDTH - RIGHT,
        bottom=BOTTOM,
        before=LEFT - 4,
        after=WIDTH - RIGHT + 4,
        top=TOP + 8,
        high_y=TOP + 8,
        most=f"{most_kwh:.1f}",
        high=f"{high_c:.0f}",
        low=f"{low_c:.0f}",
        below=HEIGHT - 10,
        first=f"{nights[0].evening.astimezone(zone):%d %b}",
        last=f"{nights[-1].evening.astimezone(zone):%d %b}",
    )
