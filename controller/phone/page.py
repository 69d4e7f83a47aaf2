"""The page as markup: templates, style and script, read once, filled from a ``Picture``."""

from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from controller.phone.chart import Chart
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
        )
        return environment

    def whole(self, picture: Picture, chart: Chart | None) -> str:
        """Return the whole page, with nothing left to load."""
        return self._fill("page.html", picture=picture, chart=chart)

    def look(self, picture: Picture, chart: Chart | None) -> str:
        """Return the part of the page that changes by itself."""
        return self._fill("look.html", picture=picture, chart=chart)

    def _fill(self, template: str, **values: object) -> str:
        return self._environment.get_template(template).render(**values)
