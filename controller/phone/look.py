"""The part of the page that changes by itself, from a ``Picture``, as markup.

Each ``data-live`` section has an id of its own, by which the script replaces it when its content is new.
"""

from collections.abc import Iterable

from markupsafe import Markup

from controller.markup import NOTHING, fill, lines
from controller.phone.alarms import AlarmView
from controller.phone.chart import Chart
from controller.phone.forms import Forms
from controller.phone.picture import Picture, TreeView, VentView
from controller.phone.tasks import Task
from controller.phone.words import say


def look(picture: Picture, chart: Chart | None, forms: Forms) -> Markup:
    """Return everything that changes."""
    return lines(
        (
            _first(picture),
            _alarms(picture, forms),
            _thumb(picture, forms),
            _hands(picture, forms),
            _trees(picture, forms),
            _night(picture, chart),
            _rest(picture),
        )
    )


def first_sentence(picture: Picture, attributes: Markup = NOTHING) -> Markup:
    """Return the sentence that one look must be enough for, and the night to come."""
    return fill(
        '<section id="say"{attributes}>\n<p class="headline" data-then="{at}: ">{headline}</p>\n'
        '<p class="night">{night}</p>\n</section>',
        attributes=attributes,
        at=picture.at,
        headline=picture.headline,
        night=picture.night,
    )


def figures(tree: TreeView) -> Markup:
    """Return a tree's air and fruit."""
    return fill(
        '<p class="figures"><span>{of_air} <b>{air}</b></span> <span>{of_fruit} <b>{fruit}</b></span></p>',
        of_air=say("air"),
        air=tree.air,
        of_fruit=say("fruit"),
        fruit=tree.fruit,
    )


def _first(picture: Picture) -> Markup:
    live = fill(' class="{level}" aria-live="polite" data-live', level=picture.level)
    heard = fill(
        '<p id="heard" class="small{old}" data-live>{heard}</p>',
        old=" old" if picture.stale else "",
        heard=picture.heard,
    )
    return lines((first_sentence(picture, live), heard))


def _alarms(picture: Picture, forms: Forms) -> Markup:
    if not picture.alarms:
        return Markup('<section id="alarms" aria-labelledby="alarms-title" data-live hidden></section>')
    first, *others = picture.alarms
    more = NOTHING
    if others or picture.alarms_more:
        uncounted = say("alarms-uncounted", n=picture.alarms_more)
        more = fill(
            '<details id="alarms-more"><summary>{title}</summary>\n'
            "{alarms}\n{uncounted}{have_all}\n</details>",
            title=say("alarms-one-more") if len(others) == 1 else say("alarms-more", n=len(others)),
            alarms=lines(_alarm(alarm, forms) for alarm in others),
            uncounted=paragraph(uncounted) if picture.alarms_more else NOTHING,
            have_all=forms.have("all", say("alarm-have-all")),
        )
    return fill(
        '<section id="alarms" aria-labelledby="alarms-title" data-live>\n'
        '<h2 id="alarms-title" class="unseen">{title}</h2>\n{first}\n{more}\n</section>',
        title=say("alarms"),
        first=_alarm(first, forms),
        more=more,
    )


def _alarm(alarm: AlarmView, forms: Forms) -> Markup:
    return fill(
        '<article class="alarm {level}">\n<h3>{head} <small>{since}</small></h3>\n<p>{because}</p>\n'
        '<p><b>{of_look}:</b> {look_at}</p>\n<p class="small">{of_cause}: {cause}</p>\n'
        "{stage}{have}\n</article>",
        level=alarm.level,
        head=alarm.head,
        since=alarm.since,
        because=alarm.because,
        of_look=say("alarm-look"),
        look_at=alarm.look_at,
        of_cause=say("alarm-cause"),
        cause=alarm.cause,
        stage=fill("<p><b>{stage}</b></p>\n", stage=alarm.stage) if alarm.stage else NOTHING,
        have=forms.have(alarm.key, say("alarm-have")) if alarm.key else NOTHING,
    )


def _thumb(picture: Picture, forms: Forms) -> Markup:
    orders = (_kept(order.words, forms.automatic(order.target)) for order in picture.orders)
    standing = fill("<h2>{title}</h2>\n{orders}", title=say("standing"), orders=listed(orders))
    return fill(
        '<section id="thumb" data-live>\n{heat_all}\n{standing}\n</section>',
        heat_all=forms.heat_all(),
        standing=standing if picture.orders else NOTHING,
    )


def _hands(picture: Picture, forms: Forms) -> Markup:
    words = fill(
        '<details id="words"><summary>{title} ({n})</summary>\n{words}\n</details>',
        title=say("words"),
        n=len(picture.words),
        words=listed(_kept(word.words, forms.undo(word.id, say("take-back"))) for word in picture.words),
    )
    tasks = listed(_task(task, forms) for task in picture.tasks)
    none = paragraph(say("hands-besides" if picture.alarms else "hands-none"))
    return fill(
        '<section id="hands" aria-labelledby="hands-title" data-live>\n<h2 id="hands-title">{title}</h2>\n'
        "{tasks}\n{words}\n</section>",
        title=say("hands"),
        tasks=tasks if picture.tasks else none,
        words=words if picture.words else NOTHING,
    )


def _task(task: Task, forms: Forms) -> Markup:
    answers = (forms.done(answer.target, answer.what, answer.label) for answer in task.answers)
    return fill(
        '<li class="task {level}"><b>{when}</b> <span>{what}{why}</span>{answers}</li>',
        level=task.level,
        when=task.when,
        what=task.what,
        why=fill(" <small>{why}</small>", why=task.why) if task.why else NOTHING,
        answers=fill('\n<div class="row">{answers}</div>', answers=lines(answers))
        if task.answers
        else NOTHING,
    )


def _trees(picture: Picture, forms: Forms) -> Markup:
    vents = fill(
        "<h2>{title}</h2>\n{vents}",
        title=say("vents"),
        vents=listed(_vent(vent, forms) for vent in picture.vents),
    )
    return fill(
        '<section id="trees" aria-labelledby="trees-title" class="{stale}" data-live>\n'
        '<h2 id="trees-title">{title}</h2>\n{trees}\n{vents}\n</section>',
        stale="stale" if picture.stale else "",
        title=say("trees"),
        trees=listed(_tree(tree, forms) for tree in picture.trees),
        vents=vents if picture.vents else NOTHING,
    )


def _tree(tree: TreeView, forms: Forms) -> Markup:
    kind = NOTHING if tree.kind in tree.name else fill(" <small>{kind}</small>", kind=tree.kind)
    heat = (say("hand-on"), say("hand-off")) if tree.strings else None
    parts = (
        fill("<h3>{name}{kind}</h3>", name=tree.name, kind=kind),
        fill('<p class="state{hot}">{state}</p>', hot=" hot" if tree.hot else "", state=tree.state),
        figures(tree),
        paragraph(tree.proof, "proof") if tree.proof else NOTHING,
        paragraph(tree.because, "why"),
        paragraph(tree.limits, "small"),
        paragraph(tree.fleece, "small") if tree.fleece else NOTHING,
        forms.by_hand(f"tree:{tree.name}", tree.name, heat, ("covered", "uncovered", "harvested")),
    )
    return fill(
        '<li class="tree {level}">\n{parts}\n</li>',
        level=tree.level,
        parts=lines(part for part in parts if part),
    )


def _vent(vent: VentView, forms: Forms) -> Markup:
    return fill(
        '<li class="tree"><h3>{name}</h3><p class="state">{state}</p>{why}\n{by_hand}</li>',
        name=vent.name,
        state=vent.state,
        why=paragraph(vent.because, "why"),
        by_hand=forms.by_hand(
            f"vent:{vent.name}", vent.name, (say("vent-on"), say("vent-off")), ("vents-shut",)
        ),
    )


def _night(picture: Picture, chart: Chart | None) -> Markup:
    return fill(
        '<section id="picture" aria-labelledby="picture-title" data-live>\n'
        '<h2 id="picture-title">{title}</h2>\n{chart}\n{ledger}\n{season}\n</section>',
        title=say("picture"),
        chart=_chart(chart) if chart else paragraph(say("picture-none")),
        ledger=paragraph(picture.ledger),
        season=paragraph(picture.season) if picture.season else NOTHING,
    )


def _chart(chart: Chart) -> Markup:
    key = (
        fill(
            '<span><svg viewBox="0 0 28 8" aria-hidden="true"><path class="line {css}" d="M0 4H28"/></svg> '
            "{label}</span> ",
            css=css,
            label=label,
        )
        for css, label in zip(("outside", "house", "tree"), chart.heads[1:], strict=True)
    )
    heads = (fill('<th scope="col">{head}</th>', head=head) for head in chart.heads)
    rows = (
        fill(
            '<tr><th scope="row">{time}</th>{cells}</tr>',
            time=time,
            cells=NOTHING.join(fill("<td>{cell}</td>", cell=cell) for cell in cells),
        )
        for time, *cells in chart.rows
    )
    return fill(
        '<figure>\n{svg}\n<figcaption class="key">{key}</figcaption>\n</figure>\n'
        '<details id="figures"><summary>{title}</summary>\n<table>\n<thead><tr>{heads}</tr></thead>\n'
        "<tbody>\n{rows}\n</tbody>\n</table>\n</details>",
        svg=chart.svg,
        key=NOTHING.join(key),
        title=say("figures"),
        heads=NOTHING.join(heads),
        rows=lines(rows),
    )


def _rest(picture: Picture) -> Markup:
    notices = listed(fill("<li>{notice}</li>", notice=notice) for notice in picture.notices)
    told = fill("<h2>{title}</h2>\n{notices}\n", title=say("notices"), notices=notices)
    return fill(
        '<section id="rest" data-live>\n{told}{attribution}\n</section>',
        told=told if picture.notices else NOTHING,
        attribution=paragraph(picture.attribution, "small"),
    )


def _kept(words: str, form: Markup) -> Markup:
    return fill('<li class="order"><span>{words}</span>{form}</li>', words=words, form=form)


def listed(items: Iterable[Markup]) -> Markup:
    """Return a list of items."""
    return fill("<ul>\n{items}\n</ul>", items=lines(items))


def paragraph(text: object, css: str = "") -> Markup:
    """Return a paragraph."""
    return fill("<p{css}>{text}</p>", css=fill(' class="{css}"', css=css) if css else NOTHING, text=text)
