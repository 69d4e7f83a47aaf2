"""The whole page, and the small ones about it: logging in, asking back, links, notes."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files

from markupsafe import Markup

from controller.guard.hand import words_to_let_go
from controller.links import Link
from controller.markup import NOTHING, fill, lines
from controller.phone.chart import Chart
from controller.phone.forms import Forms, hidden
from controller.phone.look import figures, first_sentence, listed, look, paragraph
from controller.phone.orders import Wanted, in_words
from controller.phone.picture import Picture, TreeView
from controller.phone.tasks import Level
from controller.phone.words import say
from controller.site.explain import CAUTIONS
from controller.site.model import Site

_FOLDER = files("controller.phone") / "browser"


def _read(name: str) -> str:
    return (_FOLDER / name).read_text(encoding="utf-8")


@dataclass(frozen=True, slots=True)
class Said:
    """What became of something sent: in one sentence, in the guard's words, and by which id it is undone."""

    level: Level
    sentence: str
    because: str
    undo: str | None


@dataclass(frozen=True)
class Page:
    """One site's page."""

    site: Site

    @cached_property
    def style(self) -> str:
        """The style sheet, as it stands in the page."""
        return _read("style.css")

    @cached_property
    def script(self) -> str:
        """The script, as it stands in the page."""
        return _read("live.js")

    @cached_property
    def kept_script(self) -> str:
        """The script of the page that a phone keeps."""
        return _read("kept.js")

    @cached_property
    def worker(self) -> str:
        """The script that keeps it."""
        return _read("worker.js")

    @cached_property
    def icon(self) -> str:
        """The icon on a phone's own screen (SVG)."""
        return _read("icon.svg")

    def whole(
        self,
        picture: Picture,
        chart: Chart | None,
        forms: Forms,
        said: Said | None = None,
        *,
        log_out: bool = False,
        installed: bool = False,
    ) -> str:
        """Return the whole page, with nothing left to load.

        Parameters
        ----------
        picture, chart
            What is shown.
        forms
            What can be pressed.
        said
            What became of the latest order, if any.
        log_out
            Whether there is a session to end.
        installed
            Whether a phone may keep the page as an app.
        """
        links = Markup('<link rel="manifest" href="/manifest.json"><link rel="icon" href="/icon.svg">')
        without_scripts = Markup('<noscript><meta http-equiv="refresh" content="30; url=/"></noscript>')
        lost = fill('<p id="lost" role="alert" data-text="{text}" hidden></p>', text=say("lost", ago="{ago}"))
        undo = forms.undo(said.undo, say("undo")) if said and said.undo else NOTHING
        body = (
            lost,
            _said(said, undo) if said else NOTHING,
            fill("<main>\n{look}\n</main>", look=look(picture, chart, forms)),
            fill(
                "<footer>\n<h2>{title}</h2>\n{cautions}\n<noscript>{reload}</noscript>\n{log_out}\n</footer>",
                title=say("cautions"),
                cautions=paragraph(" ".join(CAUTIONS)),
                reload=paragraph(say("reload")),
                log_out=forms.log_out() if log_out else NOTHING,
            ),
            _script(self.script),
        )
        head = links + without_scripts if installed else without_scripts
        return self._shell(*body, title=f"{self.site.title}: {picture.headline}", head=head)

    def look(self, picture: Picture, chart: Chart | None, forms: Forms) -> str:
        """Return the part of the page that changes by itself."""
        return look(picture, chart, forms)

    def kept(self, picture: Picture, aged_s: float) -> str:
        """Return what a phone may keep and show without network: nothing in it can be ordered."""
        age = fill(
            '<p id="age" role="alert" data-kept="" data-aged="{aged_s}" data-text="{text}">{then}</p>',
            aged_s=aged_s,
            text=say("kept", ago="{ago}"),
            then=say("kept-then"),
        )
        main = _plain(
            first_sentence(picture),
            _way_on(say("kept-again")),
            fill(
                '<section aria-labelledby="trees-title">\n<h2 id="trees-title">{title}</h2>\n{trees}\n'
                "</section>",
                title=say("kept-trees", time=picture.at),
                trees=listed(_kept_tree(tree) for tree in picture.trees),
            ),
            paragraph(" ".join(CAUTIONS), "small"),
        )
        return self._shell(
            age, fill('<div class="lost">\n{main}\n</div>', main=main), _script(self.kept_script)
        )

    def consent(self, wanted: Wanted, sentences: Sequence[str], token: str) -> str:
        """Return the question whether heat is really to be kept off, its consequence named."""
        order = in_words(wanted.kind, wanted.name, wanted.position)
        form = Forms(token=token).keep_off(
            target=f"{wanted.kind}:{wanted.name}" if wanted.name else wanted.kind,
            position=wanted.position,
            until=str(int(wanted.until.timestamp())),
            let_go=words_to_let_go(wanted.name) if wanted.kind == "tree" else "",
            label=say("off-yes", order=order),
        )
        title = fill('<h2 class="headline">{title}</h2>', title=say("off-title", order=order))
        return self._shell(_plain(_loud(title, *map(paragraph, sentences)), form))

    def login(self, fault: str) -> str:
        """Return the question who it is; ``fault`` says why the last answer did not do."""
        form = fill(
            '<form method="post" action="/login" class="stack">\n'
            '<label for="who">{who}</label>\n'
            '<input id="who" name="who" autocomplete="username" maxlength="40" required>\n'
            '<label for="password">{password}</label>\n'
            '<input id="password" name="password" type="password" autocomplete="current-password" required>\n'
            '<button class="warm">{log_in}</button>\n</form>',
            who=say("who"),
            password=say("password"),
            log_in=say("log-in"),
        )
        told = _loud(paragraph(fault, "answer")) if fault else NOTHING
        return self._shell(_plain(told, form, paragraph(say("login-note"), "small")))

    def tap(self, link: Link, text: str) -> str:
        """Return what a one-tap link is for, and its button."""
        if link.alarm:
            sentence, button = say("link-has", who=link.who), say("alarm-have")
        else:
            kind, _, name = link.target.partition(":")
            order, hours = in_words(kind, name, "hand-on"), f"{link.heat_s / 3600.0:g}"
            sentence, button = say("link-asks", order=order, hours=hours, who=link.who), say("link-yes")
        asked, cautions = paragraph(sentence, "answer"), paragraph(" ".join(CAUTIONS), "small")
        return self._shell(_plain(asked, _tap_form(text, button), _way_on(say("back")), cautions))

    def tapped(self, said: Said, again: str = "") -> str:
        """Return what became of a one-tap link; ``again`` is the text of one that is still good."""
        more = (paragraph(say("link-again")), _tap_form(again, say("link-repeat"))) if again else ()
        return self._shell(_plain(_said(said), *more, _way_on(say("back"))))

    def note(self, text: str) -> str:
        """Return a page that says why something was not done."""
        return self._shell(_plain(_loud(paragraph(text, "answer")), _way_on(say("back"))))

    def _shell(self, *body: Markup, title: str = "", head: Markup = NOTHING) -> str:
        rehearsal = paragraph(say("rehearsal"), "small") if self.site.rehearsal else NOTHING
        return fill(
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
            '<meta name="color-scheme" content="dark light">\n<title>{title}</title>\n{head}\n'
            "<style>{style}</style>\n</head>\n<body>\n"
            "<header>\n<h1>{site}</h1>\n{rehearsal}\n</header>\n{body}\n</body>\n</html>\n",
            title=title or self.site.title,
            head=head,
            style=Markup(self.style),  # noqa: S704 (our own file)
            site=self.site.title,
            rehearsal=rehearsal,
            body=lines(part for part in body if part),
        )


def _tap_form(text: str, button: str) -> Markup:
    """Return the one button of a link."""
    return fill(
        '<form method="post" action="/tap" class="all">\n{link}\n'
        '<p class="row"><button class="warm">{button}</button></p>\n</form>',
        link=hidden("link", text),
        button=button,
    )


def _plain(*parts: Markup) -> Markup:
    """Return a page's only column."""
    return fill('<main class="plain">\n{parts}\n</main>', parts=lines(part for part in parts if part))


def _loud(*parts: Markup) -> Markup:
    return fill('<section id="say" class="go" role="alert">\n{parts}\n</section>', parts=lines(parts))


def _way_on(label: str) -> Markup:
    return fill('<p><a class="button" href="/">{label}</a></p>', label=label)


def _script(text: str) -> Markup:
    return fill("<script>{text}</script>", text=Markup(text))  # noqa: S704 (our own file)


def _said(said: Said, undo: Markup = NOTHING) -> Markup:
    because = say("guard-says", because=said.because) if said.because else ""
    return fill(
        '<section id="said" role="{role}" class="{level}">\n{sentence}\n{because}\n{undo}\n</section>',
        role="status" if said.level == "well" else "alert",
        level=said.level,
        sentence=paragraph(said.sentence, "answer"),
        because=paragraph(because) if because else NOTHING,
        undo=undo,
    )


def _kept_tree(tree: TreeView) -> Markup:
    return fill(
        '<li class="tree">\n<h3>{name}</h3>\n<p class="state">{state}</p>\n{figures}\n</li>',
        name=tree.name,
        state=tree.state,
        figures=figures(tree),
    )
