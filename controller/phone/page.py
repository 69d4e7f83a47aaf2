"""The page as markup: templates, style and script, read once, filled from a ``Picture``."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from controller.guard.hand import words_to_let_go
from controller.links import Link
from controller.phone.chart import Chart
from controller.phone.orders import Wanted, in_words
from controller.phone.picture import Picture
from controller.phone.words import say
from controller.site.explain import CAUTIONS
from controller.site.model import Site

_FOLDER = files("controller.phone") / "templates"


def _read(name: str) -> str:
    return (_FOLDER / name).read_text(encoding="utf-8")


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

    @cached_property
    def _environment(self) -> Environment:
        environment = Environment(
            loader=FunctionLoader(_read),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        environment.globals.update(
            say=say,
            site=self.site,
            cautions=CAUTIONS,
            style=Markup(self.style),  # noqa: S704 (our own files)
            script=Markup(self.script),  # noqa: S704 (our own files)
            kept_script=Markup(self.kept_script),  # noqa: S704 (our own files)
        )
        return environment

    def whole(
        self, picture: Picture, chart: Chart | None, forms: Mapping[str, object], said: object = None
    ) -> str:
        """Return the whole page, with nothing left to load.

        ``forms`` holds the form ``token``, the ``hours`` to choose, whether one can ``log_out`` and whether
        the page can be ``installed``; ``said`` is what became of the latest order, if any.
        """
        return self._fill("page.html", picture=picture, chart=chart, forms=forms, said=said)

    def look(self, picture: Picture, chart: Chart | None, forms: Mapping[str, object]) -> str:
        """Return the part of the page that changes by itself."""
        return self._fill("look.html", picture=picture, chart=chart, forms=forms)

    def kept(self, picture: Picture, aged_s: float) -> str:
        """Return what a phone may keep and show without network: nothing in it can be ordered."""
        return self._fill("kept.html", picture=picture, aged_s=aged_s)

    def consent(self, wanted: Wanted, sentences: Sequence[str], token: str) -> str:
        """Return the question whether heat is really to be kept off, its consequence named."""
        order = in_words(wanted.kind, wanted.name, wanted.position)
        return self._fill(
            "consent.html",
            title=say("off-title", order=order),
            sentences=sentences,
            order=order,
            target=f"{wanted.kind}:{wanted.name}" if wanted.name else wanted.kind,
            position=wanted.position,
            let_go=words_to_let_go(wanted.name) if wanted.kind == "tree" else "",
            until=int(wanted.until.timestamp()),
            token=token,
        )

    def login(self, fault: str) -> str:
        """Return the question who it is; ``fault`` says why the last answer did not do."""
        return self._fill("login.html", fault=fault)

    def tap(self, link: Link, text: str) -> str:
        """Return what a one-tap link is for, and its button."""
        if link.alarm:
            sentence, button = say("link-has", who=link.who), say("alarm-have")
        else:
            kind, _, name = link.target.partition(":")
            order, hours = in_words(kind, name, "hand-on"), f"{link.heat_s / 3600.0:g}"
            sentence, button = say("link-asks", order=order, hours=hours, who=link.who), say("link-yes")
        return self._fill("tap.html", sentence=sentence, link=text, button=button)

    def tapped(self, said: object) -> str:
        """Return what became of a one-tap link."""
        return self._fill("tapped.html", said=said)

    def note(self, text: str) -> str:
        """Return a page that says why something was not done."""
        return self._fill("note.html", text=text)

    def _fill(self, template: str, **values: object) -> str:
        return self._environment.get_template(template).render(**values)
