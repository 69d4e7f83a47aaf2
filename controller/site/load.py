"""Reading a site file: TOML (or JSON) in, a ``Site`` out, or every fault at once with its line."""

from pathlib import Path
from typing import Literal

from controller.errors import SiteFileError
from controller.site.checks import faults_of
from controller.site.model import Site
from controller.site.told import Written, text_of


def example_site(name: str) -> Path:
    """Return the path of an example site file that comes with Rimeward."""
    package = Path(__file__).parents[1]
    folders = (package / "examples", package.parent / "config")  # in a wheel, in a checkout
    for folder in folders:
        if (folder / f"{name}.toml").is_file():
            return folder / f"{name}.toml"
    known = sorted({path.stem for folder in folders for path in folder.glob("*.toml")})
    raise SiteFileError(f"there is no example site '{name}'; there are: {', '.join(known)}")


def load_site(path: Path) -> Site:
    """Return the site described by a file.

    Raises
    ------
    SiteFileError
        The file cannot be read, is not TOML, or describes no sound site.  The text lists every fault: its
        line, what was expected, what came, and what to do.
    """
    text = text_of(path, "site", SiteFileError)
    return parse_site(text, origin=str(path), form="json" if path.suffix == ".json" else "toml")


def parse_site(text: str, *, origin: str = "site file", form: Literal["toml", "json"] = "toml") -> Site:
    """Return the site described by TOML text, or by JSON as a program writes it; ``origin`` names it."""
    written = Written(text, origin=origin, error=SiteFileError, form=form)
    site = written.as_model(Site)
    written.refuse(faults_of(site))
    return site
