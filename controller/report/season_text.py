"""A season in sentences and tables, for a terminal and for the page alike."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from controller.report.season import Season, changes

Row = tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of the report: a heading, sentences, and a table whose first row heads it."""

    title: str
    sentences: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()


def parts_of(season: Season, zone: tzinfo, forecasts: str) -> tuple[Part, ...]:
    """Return the report; ``forecasts`` says how good they were, in lines for people."""
    return (
        Part(title="What it came to", sentences=_sum(season, zone)),
        Part(title="What to change", sentences=changes(season) or ("Nothing stands out.",)),
        Part(title="Trees", rows=_trees(season, zone)),
        Part(
            title="Alarms",
            sentences=() if season.alarms else ("There were none.",),
            rows=_alarms(season) if season.alarms else (),
        ),
        Part(title="Orders by hand", sentences=(_orders(season),)),
        Part(title="How good the forecasts were", sentences=tuple(forecasts.splitlines())),
    )


def as_text(title: str, parts: Sequence[Part]) -> str:
    """Return the report for a terminal."""
    return "\n".join(_lines(title, parts))


def _lines(title: str, parts: Sequence[Part]) -> Iterator[str]:
    yield title
    for part in parts:
        yield from ("", part.title)
        yield from (f"  {sentence}" for sentence in part.sentences)
        widths = [max(map(len, column)) for column in zip(*part.rows, strict=True)]
        for row in part.rows:
            name, *cells = (cell.rjust(width) for cell, width in zip(row, widths, strict=True))
            yield f"  {'  '.join((name.strip().ljust(widths[0]), *cells))}"


def _sum(season: Season, zone: tzinfo) -> tuple[str, ...]:
    heated, cost = season.heated, f"{season.cost:.2f} {season.currency}"
    since, until = (at.astimezone(zone).strftime("%d %B %Y") for at in (season.since, season.until))
    used = f"{_nights(len(heated))}, about {season.energy_kwh:.1f} kWh, {cost}"
    said = [
        f"From {since} to {until}: heat in {used}.",
        "Heat is counted as decided, at the strings' declared watts; nothing was metered for this.",
    ]
    known = [night for night in season.nights if night.outside_min_c is not None]
    if known:
        coldest = min(known, key=lambda night: night.outside_min_c or 0.0)
        at = coldest.evening.astimezone(zone)
        said.append(
            f"{_nights(sum((night.outside_min_c or 0.0) < 0.0 for night in known))} had frost outside. "
            f"The coldest began on {at:%d %B}: {coldest.outside_min_c:.1f} °C, {coldest.energy_kwh:.1f} kWh."
        )
    return tuple(said)


def _trees(season: Season, zone: tzinfo) -> tuple[Row, ...]:
    head = (
        "tree",
        "heated h",
        "kWh",
        season.currency,
        "a fruit",
        "lowest °C",
        "on",
        "short h",
        "K h below damage",
    )
    return (
        head,
        *(
            (
                tree.name,
                f"{tree.heated_h:.0f}",
                f"{tree.energy_kwh:.1f}",
                f"{tree.cost:.2f}",
                "" if tree.cost_per_fruit is None else f"{tree.cost_per_fruit:.4f}",
                "" if tree.lowest_c is None else f"{tree.lowest_c:.1f}",
                "" if tree.lowest_at is None else f"{tree.lowest_at.astimezone(zone):%d %b %H:%M}",
                f"{tree.short_h:.1f}",
                f"{tree.below_kh:.2f}",
            )
            for tree in season.trees
        ),
    )


def _alarms(season: Season) -> tuple[Row, ...]:
    return (
        ("alarm", "severity", "raised", "somebody had it after"),
        *(
            (
                alarm.key,
                str(alarm.severity),
                str(alarm.raised),
                "nobody" if alarm.had_after_min is None else f"{alarm.had_after_min:.0f} min",
            )
            for alarm in season.alarms
        ),
    )


def _orders(season: Season) -> str:
    if not season.orders and not season.refused:
        return "None."
    words = {"hand-on": "on", "hand-off": "off", "auto": "back to automatic"}
    told = ", ".join(f"{season.orders[each]} {words[each]}" for each in words if each in season.orders)
    return f"{told or 'none taken'}; {season.refused} refused."


def _nights(count: int) -> str:
    return "1 night" if count == 1 else f"{count} nights"
