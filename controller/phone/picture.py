"""What the page says, worked out from the controller's status and the journal: words, no markup.

The order of worry: the controller silent; a tree that needs a person now; a tree that is warm but whose heat
or probe is not proven; all well.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from controller.bus.messages import ComingStatus, OutputStatus, StandingStatus, StatusPayload
from controller.guard.decision import BAD_INPUT
from controller.phone.alarms import AlarmView, alarms_of
from controller.phone.figures import Figures, energy, money, small_money
from controller.phone.history import History, Ledger
from controller.phone.orders import in_words
from controller.phone.proof import Echo, echo_of, proof_words
from controller.phone.tasks import Level, Task, Worry, tasks_of
from controller.phone.words import say
from controller.phone.work import WordView, fleece_of, standing_words
from controller.site.model import Site, Tree

# The status comes every 30 s; three missed and some seconds mean silence.
STALE_AFTER_S = 100.0
# A tree expected to lose more of its fruit than this needs hands, however warm it is now (own choice).
RISK_SHARE = 0.05
# So many hours without heat part one cold night from the next.
PAUSE_H = 4

_FAULTS = frozenset(map(str, BAD_INPUT))


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeView:
    """One tree as shown."""

    name: str
    kind: str
    level: Level
    state: str
    hot: bool
    proof: str
    air: str
    fruit: str
    limits: str
    because: str
    trouble: str
    strings: int
    fleece: str

    @property
    def target(self) -> str:
        """What a worry about it is called."""
        return self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class VentView:
    """One vent as shown."""

    name: str
    state: str
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingView:
    """A hand order that stands, and what taking it back is for."""

    words: str
    target: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """The whole page in words."""

    level: Level
    headline: str
    night: str
    tasks: tuple[Task, ...]
    alarms: tuple[AlarmView, ...] = ()
    alarms_more: int = 0
    orders: tuple[StandingView, ...] = ()
    words: tuple[WordView, ...] = ()
    trees: tuple[TreeView, ...] = ()
    vents: tuple[VentView, ...] = ()
    notices: tuple[str, ...] = ()
    ledger: str = ""
    season: str = ""
    attribution: str = ""
    heard: str = ""
    at: str = ""
    stale: bool = False


def picture_of(
    site: Site,
    status: StatusPayload | None,
    history: History,
    figures: Figures,
    now: datetime,
    age_s: float,
    ledger: Ledger | None = None,
) -> Picture:
    """Return what the page says.

    Parameters
    ----------
    site
        The site.
    status
        The controller's latest word; None before the first.
    history
        What the journal says.
    figures
        How numbers are written.
    now
        The present.
    age_s
        How old the controller's word is [s].
    ledger
        The season so far.
    """
    if status is None:
        return Picture(
            level="look", headline=say("never-heard"), night=say("never-heard-then"), tasks=(), stale=True
        )
    outputs = {(output.kind, output.name): output for output in status.outputs}
    trees = tuple(
        _tree(tree, output, status, history, figures, now)
        for tree in site.trees
        if (output := outputs.get(("tree", tree.name))) is not None
    )
    vents = tuple(
        VentView(
            name=vent.name,
            state=say("open" if output.active else "shut"),
            because=shown(output, figures, now),
        )
        for vent in site.vents
        if (output := outputs.get(("vent", vent.name))) is not None
    )
    stale = not age_s <= STALE_AFTER_S
    alarms = alarms_of(status, figures, now)
    level, headline = _headline((*alarms, *trees), status.coming, figures, age_s, stale=stale)
    at = figures.time(status.at, now)
    coming = status.coming
    return Picture(
        level=level,
        headline=headline,
        night=say("silent-then", time=at) if stale else _night(coming, figures, now),
        alarms=alarms,
        alarms_more=status.alarms_more,
        tasks=tasks_of(_worries(trees), status, figures, now),
        orders=tuple(_standing(order, figures, now) for order in status.orders if order.ends_at > now),
        words=standing_words(status.confirmed, site, figures, now),
        trees=trees,
        vents=vents,
        notices=status.notices + ((coming.remark,) if coming and coming.remark else ()),
        ledger=say(
            "ledger",
            energy=energy(history.energy_kwh),
            cost=money(history.cost, site.tariff.currency),
        ),
        season=_season(ledger, site, figures) if ledger else "",
        attribution=say("attribution", source=coming.source, attribution=coming.attribution)
        if coming
        else "",
        heard=say("heard", time=at, ago=figures.ago(age_s)),
        at=at,
        stale=stale,
    )


def _standing(order: StandingStatus, figures: Figures, now: datetime) -> StandingView:
    name = "" if order.kind == "all" else order.name
    return StandingView(
        words=say(
            "stands",
            order=in_words(order.kind, name, order.order),
            time=figures.time(order.ends_at, now),
            who=order.who,
        ),
        target=f"{order.kind}:{name}" if name else order.kind,
    )


def shown(output: OutputStatus, figures: Figures, now: datetime) -> str:
    """Return a decision's own sentence as this page writes it."""
    return figures.localised(output.because, now)


def _season(ledger: Ledger, site: Site, figures: Figures) -> str:
    """Return the season so far: nights with heat, energy, cost, and what that is for each fruit."""
    fruit = sum(tree.fruit_count for tree in site.trees)
    each = say("season-each", cost=small_money(ledger.cost / fruit, site.tariff.currency)) if fruit else ""
    return say(
        "season",
        since=figures.day(ledger.since),
        nights=say("nights", n=ledger.nights) if ledger.nights != 1 else say("one-night"),
        energy=energy(ledger.energy_kwh),
        cost=money(ledger.cost, site.tariff.currency),
        each=each,
    )


def _headline(
    worries: tuple[AlarmView | TreeView, ...],
    coming: ComingStatus | None,
    figures: Figures,
    age_s: float,
    *,
    stale: bool,
) -> tuple[Level, str]:
    if stale:
        return "go", say("silent", ago=figures.ago(age_s))
    levels: tuple[tuple[Level, str], ...] = (("go", "go-now"), ("look", "look-at"))
    for level, key in levels:
        # an alarm and its tree are one worry
        if names := dict.fromkeys(each.target for each in worries if each.level == level):
            return level, say(key, names=", ".join(names))
    if coming is not None and (coming.trees_short or max(coming.loss_share.values(), default=0) > RISK_SHARE):
        return "look", say("safe-but")
    return "well", say("all-well")


def _night(coming: ComingStatus | None, figures: Figures, now: datetime) -> str:
    if coming is None:
        return say("no-outlook")
    text = say(
        "night",
        outside=figures.temp(coming.outside_min_c),
        time=figures.time(coming.outside_min_at, now),
    )
    spell = first_spell(coming, now)
    if spell is None:
        return f"{text} {say('night-no-heat')}"
    heat = say(
        "night-heat",
        begin=figures.time(spell.begins_at, now),
        end=figures.time(spell.ends_at, now),
        risk=_risk(coming),
        energy=energy(spell.energy_kwh),
        cost=money(spell.energy_kwh * coming.cost / coming.energy_kwh, coming.currency),
    )
    return f"{text} {heat}"


def _risk(coming: ComingStatus) -> str:
    """Return what part of the fruit is expected to be lost all the same, of the tree that loses most."""
    if not coming.loss_share:
        return say("risk-unknown")
    name, share = max(coming.loss_share.items(), key=lambda item: item[1])
    return say("risk-small") if share < 0.01 else say("risk", share=round(100 * share), name=name)


@dataclass(frozen=True, slots=True)
class Spell:
    """A time of heat, such as one night of several."""

    begins_at: datetime
    ends_at: datetime
    energy_kwh: float


def first_spell(coming: ComingStatus, now: datetime) -> Spell | None:
    """Return the first time of heat that is not over; a pause of ``PAUSE_H`` hours ends it."""
    hours = [
        (coming.starts_at + timedelta(hours=hour), kwh)
        for hour, kwh in enumerate(coming.heat_kwh)
        if kwh > 0.0 and coming.starts_at + timedelta(hours=hour + 1) > now
    ]
    if not hours:
        return None
    length = next(
        (i for i in range(1, len(hours)) if hours[i][0] - hours[i - 1][0] > timedelta(hours=PAUSE_H)),
        len(hours),
    )
    begins_at, ends_at = hours[0][0], hours[length - 1][0] + timedelta(hours=1)
    # the first and last minute are known better than to the hour, where they are those of the whole outlook
    if coming.heat_from is not None and begins_at <= coming.heat_from < begins_at + timedelta(hours=1):
        begins_at = coming.heat_from
    if coming.heat_until is not None and coming.heat_until < ends_at:
        ends_at = coming.heat_until
    return Spell(begins_at, ends_at, sum(kwh for _, kwh in hours[:length]))


def _worries(trees: tuple[TreeView, ...]) -> tuple[Worry, ...]:
    """Return what needs a person at once, the worst first."""
    by_level = sorted(trees, key=lambda tree: tree.level)  # "go" stands before "look"
    return tuple(
        Worry(tree.name, tree.level, say("do-tree", name=tree.name, why=tree.trouble))
        for tree in by_level
        if tree.level != "well"
    )


def _tree(
    tree: Tree,
    output: OutputStatus,
    status: StatusPayload,
    history: History,
    figures: Figures,
    now: datetime,
) -> TreeView:
    echo = echo_of(tree, output, status)
    level, trouble = _trouble(output, figures, echo)
    if not output.channels:
        state = say("no-string")
    elif not output.active:
        state = say("heat-off")
    else:
        state = say("heat-on" if echo.least_on else "heat-on-unproven")
    return TreeView(
        name=tree.name,
        kind=str(tree.kind),
        level=level,
        state=state,
        hot=output.active and output.channels > 0,
        proof=proof_words(tree, output, echo, history, figures),
        air=figures.temp(output.temp_c),
        fruit=figures.temp(output.fruit_c) if output.fruit_c is not None else say("fruit-unknown"),
        limits=say("hold", hold=figures.temp(output.hold_c), damage=figures.temp(output.damage_c)),
        because=shown(output, figures, now),
        trouble=trouble,
        strings=output.channels,
        fleece=fleece_of(tree.name, status.confirmed, figures, now),
    )


def _trouble(output: OutputStatus, figures: Figures, echo: Echo) -> tuple[Level, str]:
    """Return how much a tree needs a person, and why."""
    air, damage = figures.temp(output.temp_c), figures.temp(output.damage_c)
    is_cold = _is_down_to(output.temp_c, output.hold_c)
    if _is_down_to(output.temp_c, output.damage_c):
        return "go", say("cold", air=air, damage=damage)
    if not output.channels and is_cold:
        return "go", say("cold-no-string", air=air, hold=figures.temp(output.hold_c))
    if output.active and output.channels and not echo.silent and not output.echoed_on and is_cold:
        return "go", say("not-on")
    if output.reason in _FAULTS:
        return "look", say("probe")
    if output.channels and echo.silent:
        return "look", say("board-part" if echo.answering else "board")
    if output.active and 0 < output.echoed_on < output.channels:
        return "look", say("part-on", on=output.echoed_on, all=output.channels)
    return "well", ""


def _is_down_to(temp_c: float | None, limit_c: float | None) -> bool:
    return temp_c is not None and limit_c is not None and not temp_c > limit_c
