"""Reading a site file: TOML (or JSON) in, a ``Site`` out, or every fault at once with its line."""

import json
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from controller.errors import SiteFileError
from controller.site.checks import KeyPath, faults_of
from controller.site.model import Site

LARGEST_FILE_BYTES = 1_000_000
_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\s-]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"^\s*([A-Za-z0-9_-]+)\s*=")


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
    try:
        raw = path.read_bytes()
        text = raw.decode()
    except OSError as error:
        raise SiteFileError(
            f"{path}: cannot be read ({error.strerror}); give the path of a site file"
        ) from error
    except UnicodeDecodeError as error:
        raise SiteFileError(
            f"{path}: expected UTF-8 text, but byte {error.start} is not; save it as UTF-8"
        ) from error
    if len(raw) > LARGEST_FILE_BYTES:
        raise SiteFileError(f"{path}: {len(raw)} bytes; a site file has at most {LARGEST_FILE_BYTES}")
    return parse_site(text, origin=str(path), form="json" if path.suffix == ".json" else "toml")


def parse_site(text: str, *, origin: str = "site file", form: Literal["toml", "json"] = "toml") -> Site:
    """Return the site described by TOML text, or by JSON as a program writes it; ``origin`` names it."""
    try:
        data = tomllib.loads(text) if form == "toml" else json.loads(text)
    except (ValueError, RecursionError) as error:
        raise SiteFileError(f"{origin}: not {form.upper()}: {error}") from error
    lines = _lines_of_keys(text)
    try:
        site = Site.model_validate(_as_tuples(data))
    except ValidationError as error:
        told = [_told(fault, lines) for fault in error.errors(include_url=False)]
        raise SiteFileError(_all_told(told, origin)) from None
    if faults := faults_of(site):
        raise SiteFileError(_all_told([_line(path, text, lines) for path, text in faults], origin))
    return site


def _all_told(faults: list[str], origin: str) -> str:
    count = f"{len(faults)} faults" if len(faults) > 1 else "a fault"
    return f"{origin}: {count}\n" + "\n".join(faults)


def _as_tuples(value: Any) -> Any:
    """Turn TOML's lists into tuples and its whole numbers, where a decimal is meant, stay for the model."""
    match value:
        case dict():
            return {key: _as_tuples(item) for key, item in value.items()}
        case list():
            return tuple(_as_tuples(item) for item in value)
        case _:
            return value


def _lines_of_keys(text: str) -> dict[KeyPath, int]:
    """Return the line of every key and table of a TOML text (of inline tables, of their own key)."""
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}
    table: KeyPath = ()
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _HEADER.match(line):
            table = _table_path(header.group(2), counts, is_array=header.group(1) == "[[")
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            lines.setdefault((*table, key.group(1)), number)
    return lines


def _table_path(dotted: str, counts: dict[KeyPath, int], *, is_array: bool) -> KeyPath:
    """Return the path of a table header, counting the elements of arrays of tables."""
    path: KeyPath = ()
    names = [name.strip() for name in dotted.split(".")]
    for depth, name in enumerate(names):
        path = (*path, name)
        last = depth == len(names) - 1
        if last and is_array:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _told(fault: Mapping[str, Any], lines: dict[KeyPath, int]) -> str:
    """Return a fault as a person reads it."""
    path: KeyPath = tuple(fault["loc"])
    message = str(fault["msg"]).removeprefix("Value error, ")
    match fault["type"]:
        case "missing":
            text = f"missing; add it ({_help(path)})"
        case "extra_forbidden":
            text = "not a known setting; remove it or correct its spelling"
        case "value_error":
            text = message
        case _:
            came = repr(fault["input"])
            shown = came if len(came) <= 60 else came[:57] + "..."
            text = f"{_small(message)}, but {shown} came ({_help(path)})"
    return _line(path, text, lines)


def _line(path: KeyPath, text: str, lines: dict[KeyPath, int]) -> str:
    known = next((path[:n] for n in range(len(path), 0, -1) if path[:n] in lines), None)
    where = f"line {lines[known]}: " if known else ""
    name = ".".join(str(part + 1) if isinstance(part, int) else part for part in path)
    return f"  {where}{name}: {text}" if name else f"  {where}{text}"


def _small(message: str) -> str:
    return message[:1].lower() + message[1:].replace("Input should", "it should")


def _help(path: KeyPath) -> str:
    """Return the help text of a field from the model's own schema."""
    schema = Site.model_json_schema(by_alias=True)
    node: Any = schema
    for part in path:
        while isinstance(node, dict) and "$ref" in node:
            node = schema["$defs"][node["$ref"].rsplit("/", 1)[1]]
        node = node.get("items", {}) if isinstance(part, int) else node.get("properties", {}).get(part, {})
    text = node.get("description", "see `rimeward schema`") if isinstance(node, dict) else ""
    return str(text).strip().rstrip(".")
