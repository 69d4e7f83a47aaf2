"""Reading what a person wrote: TOML (or JSON) into a frozen model, or every fault at once with its line."""

import json
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from controller.errors import RimewardError

LARGEST_FILE_BYTES = 1_000_000
_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\s-]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(r"^\s*([A-Za-z0-9_-]+)\s*=")

# Where in a file something stands, and a fault there.
KeyPath = tuple[str | int, ...]
Fault = tuple[KeyPath, str]


class Settings(BaseModel):
    """A table of a file: frozen and strict, nothing unknown let in, a help text below each field."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        strict=True,
        allow_inf_nan=False,
        validate_default=True,
        use_attribute_docstrings=True,
        defer_build=True,
    )


M = TypeVar("M", bound=Settings)


def text_of(path: Path, what: str, error: type[RimewardError]) -> str:
    """Return a file's text, or raise ``error`` saying what to do; ``what`` names the kind of file."""
    try:
        raw = path.read_bytes()
        text = raw.decode()
    except OSError as fault:
        raise error(f"{path}: cannot be read ({fault.strerror}); give the path of a {what} file") from fault
    except UnicodeDecodeError as fault:
        raise error(
            f"{path}: expected UTF-8 text, but byte {fault.start} is not; save it as UTF-8"
        ) from fault
    if len(raw) > LARGEST_FILE_BYTES:
        raise error(f"{path}: {len(raw)} bytes; a {what} file has at most {LARGEST_FILE_BYTES}")
    return text


class Written:
    """A text and where each of its keys stands; raises ``error`` with every fault found."""

    def __init__(
        self,
        text: str,
        *,
        origin: str,
        error: type[RimewardError],
        form: Literal["toml", "json"] = "toml",
    ) -> None:
        self._origin, self._error = origin, error
        try:
            self._data = tomllib.loads(text) if form == "toml" else json.loads(text)
        except (ValueError, RecursionError) as fault:
            raise error(f"{origin}: not {form.upper()}: {fault}") from fault
        self._lines = _lines_of_keys(text)

    def as_model(self, kind: type[M]) -> M:
        """Return the text as its model."""
        try:
            return kind.model_validate(_as_tuples(self._data))
        except ValidationError as error:
            told = [_told(fault, self._lines, kind) for fault in error.errors(include_url=False)]
            raise self._error(_all_told(told, self._origin)) from None

    def refuse(self, faults: list[Fault]) -> None:
        """Raise the error if there are faults."""
        if faults:
            told = [_line(path, text, self._lines) for path, text in faults]
            raise self._error(_all_told(told, self._origin))


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


def _told(fault: Mapping[str, Any], lines: dict[KeyPath, int], kind: type[Settings]) -> str:
    """Return a fault as a person reads it."""
    path: KeyPath = tuple(fault["loc"])
    message = str(fault["msg"]).removeprefix("Value error, ")
    match fault["type"]:
        case "missing":
            text = f"missing; add it ({_help(path, kind)})"
        case "extra_forbidden":
            text = "not a known setting; remove it or correct its spelling"
        case "value_error":
            text = message
        case _:
            text = f"{_wanted(fault)}, but {_shown(repr(fault['input']))} came ({_help(path, kind)})"
    return _line(path, text, lines)


def _wanted(fault: Mapping[str, Any]) -> str:
    """Return what should be there, without words for programmers."""
    match fault["type"], fault["input"]:
        case "tuple_type", dict():
            return f"a list of tables is meant, each under [[{fault['loc'][-1]}]]"
        case "tuple_type", str(word):
            return f"a list is meant, such as {_shown(json.dumps([word], ensure_ascii=False))}"
        case "tuple_type", _:
            return "a list is meant, in square brackets"
        case "string_pattern_mismatch", _:
            return "another form is meant"
        case _:
            return _small(str(fault["msg"]))


def _shown(came: str) -> str:
    return came if len(came) <= 60 else came[:57] + "..."


def _line(path: KeyPath, text: str, lines: dict[KeyPath, int]) -> str:
    known = next((path[:n] for n in range(len(path), 0, -1) if path[:n] in lines), None)
    where = f"line {lines[known]}: " if known else ""
    name = ".".join(str(part + 1) if isinstance(part, int) else part for part in path)
    return f"  {where}{name}: {text}" if name else f"  {where}{text}"


def _small(message: str) -> str:
    return message[:1].lower() + message[1:].replace("Input should", "it should")


def _help(path: KeyPath, kind: type[Settings]) -> str:
    """Return the help text of a field from the model's own schema."""
    schema = kind.model_json_schema(by_alias=True)
    node: Any = schema
    for part in path:
        node = _resolved(node, schema)
        node = node.get("items", {}) if isinstance(part, int) else node.get("properties", {}).get(part, {})
    text = node.get("description", "see `rimeward schema`") if isinstance(node, dict) else ""
    return str(text).strip().rstrip(".")


def _resolved(node: Any, schema: Mapping[str, Any]) -> Any:
    """Return the table that a schema's node stands for, also where it may be left out."""
    while isinstance(node, dict) and ("$ref" in node or "anyOf" in node):
        node = schema["$defs"][node["$ref"].rsplit("/", 1)[1]] if "$ref" in node else node["anyOf"][0]
    return node
