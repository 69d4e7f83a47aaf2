"""Models kept on disk: every accepted one with its evidence, which is in use, and the way back."""

import json
import math
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from controller.errors import ModelError
from controller.site.model import Site
from controller.thermal.doubt import Doubt, doubt_of_handbook
from controller.thermal.knobs import HOUSE_KNOBS, TREE_KNOBS, Knob
from controller.thermal.noise import Noise
from controller.thermal.parameters import Parameters, parameters_of

# Form 4 has two layers of soil, the upper one under each tree, and a sky that errs.
FORM = 4
HANDBOOK = "handbook"
# Small files, one a night at most; what is older than this many is deleted, never the one in use.
MOST_KEPT = 400
LARGEST_FILE_BYTES = 1_000_000
# The site file's numbers may differ by rounding, not by a pane of glass.
_SAME = 1e-6
# What comes from the site file whatever was learnt: a string replaced or another hold temperature.
_OF_SITE = ("tree_names", "string_w", "hold_c")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Model:
    """What the model of a house is at present, and where it comes from."""

    name: str  # the file's, or "handbook"
    parameters: Parameters
    noise: Noise
    doubt: Doubt
    remark: str = ""

    @property
    def is_learnt(self) -> bool:
        """Whether it was learnt from this house."""
        return self.name != HANDBOOK


class Models:
    """The models of one site.

    Parameters
    ----------
    folder
        The site's state folder; models are kept in ``models`` beneath it.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "models"
        self._pointer = self.folder / "in-use.json"

    def in_use(self, site: Site) -> Model:
        """Return the model in use, else the handbook's with a remark that says why; never raises."""
        handbook = parameters_of(site)
        fallback = Model(
            name=HANDBOOK,
            parameters=handbook,
            noise=Noise(),
            doubt=doubt_of_handbook(handbook.tree_count),
        )
        try:
            name = self._name_in_use()
            return fallback if name is None else _model(name, self._read(name), handbook)
        except ModelError as error:
            return replace(fallback, remark=str(error))

    def accept(
        self,
        made_at: datetime,
        prior: Parameters,
        parameters: Parameters,
        noise: Noise,
        doubt: Doubt,
        evidence: Mapping[str, Any],
    ) -> str:
        """Keep an accepted model with its evidence, put it in use, and return its name."""
        name = f"{made_at.astimezone(UTC):%Y%m%dT%H%M%SZ}"
        while (self.folder / f"{name}.json").exists():  # a model that followed itself would bar the way back
            made_at += timedelta(seconds=1)
            name = f"{made_at.astimezone(UTC):%Y%m%dT%H%M%SZ}"
        body = {
            "form": FORM,
            "made_at": made_at.astimezone(UTC).isoformat(),
            "follows": self._name_or_none(),
            "handbook": _plain(prior),
            "parameters": _plain(parameters),
            "noise": asdict(noise),
            "doubt": {
                "numbers": [[knob.field, knob.tree, knob.sd] for knob in doubt.knobs],
                "covariance": doubt.covariance.tolist(),
            },
            "evidence": dict(evidence),
        }
        self._write(self.folder / f"{name}.json", body)
        self._point(name, "accepted")
        self._prune(name)
        return name

    def back(self) -> tuple[str, str]:
        """Go back to the model before the one in use; return the names of both, the older one last.

        Raises
        ------
        ModelError
            The handbook's numbers are in use already, or the files cannot be read or written.
        """
        name = self._name_in_use()
        if name is None:
            raise ModelError("the handbook's numbers are in use already; there is nothing to go back to")
        try:
            before = self._read(name).get("follows")
        except ModelError:
            before = None  # a damaged model is left for the handbook
        if before is not None and not (self.folder / f"{before}.json").is_file():
            before = None
        self._point(before, f"back from {name}")
        return name, before or HANDBOOK

    def _name_or_none(self) -> str | None:
        try:
            return self._name_in_use()
        except ModelError:
            return None

    def _name_in_use(self) -> str | None:
        if not self._pointer.is_file():
            return None
        name = _load(self._pointer).get("model")
        if name is not None and (
            not isinstance(name, str) or not name.replace("Z", "").replace("T", "").isdigit()
        ):
            raise ModelError(f"{self._pointer}: names no model; use the handbook's with: rimeward fit --back")
        return name

    def _read(self, name: str) -> dict[str, Any]:
        return _load(self.folder / f"{name}.json")

    def _point(self, name: str | None, because: str) -> None:
        self._write(self._pointer, {"model": name, "because": because})

    def _write(self, path: Path, body: dict[str, Any]) -> None:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            part = path.with_suffix(".part")
            with part.open("w") as file:
                json.dump(body, file, indent=1)
                file.flush()
                os.fsync(file.fileno())
            part.replace(path)
        except OSError as error:
            raise ModelError(
                f"{path}: cannot be written ({error}); see to the disk and its rights"
            ) from error

    def _prune(self, in_use: str) -> None:
        kept = sorted(path for path in self.folder.glob("*Z.json") if path.stem != in_use)
        for path in kept[: max(0, len(kept) + 1 - MOST_KEPT)]:
            path.unlink(missing_ok=True)


def _load(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise ModelError(f"{path}: larger than any model; the handbook's numbers are used")
        body = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise ModelError(f"{path}: cannot be read ({error}); the handbook's numbers are used") from error
    if not isinstance(body, dict):
        raise ModelError(f"{path}: expected a JSON object; the handbook's numbers are used")
    return body


def _model(name: str, body: dict[str, Any], handbook: Parameters) -> Model:
    form = body.get("form")
    if form != FORM:
        raise ModelError(
            f"model {name}: form {form!r}, not {FORM}; the handbook's numbers are used until the next fit"
        )
    try:
        learnt_for = _parameters(body["handbook"])
        parameters = _parameters(body["parameters"])
        noise = Noise(**{field.name: _positive(body["noise"][field.name]) for field in fields(Noise)})
        doubt = _doubt(body["doubt"], parameters.tree_count)
    except (KeyError, TypeError, ValueError) as error:
        raise ModelError(f"model {name}: damaged ({error!r}); the handbook's numbers are used") from error
    if not _same(learnt_for, handbook):
        raise ModelError(
            f"model {name} was learnt for another site file; the handbook's numbers are used until the next"
            " fit"
        )
    of_site = {field: getattr(handbook, field) for field in _OF_SITE}
    return Model(name=name, parameters=replace(parameters, **of_site), noise=noise, doubt=doubt)


def _plain(parameters: Parameters) -> dict[str, Any]:
    plain: dict[str, Any] = {}
    for field in fields(parameters):
        value = getattr(parameters, field.name)
        plain[field.name] = value.tolist() if isinstance(value, np.ndarray) else value
    return plain


def _parameters(body: dict[str, Any]) -> Parameters:
    values: dict[str, Any] = {}
    for field in fields(Parameters):
        value = body[field.name]
        if field.name == "tree_names":
            values[field.name] = tuple(str(name) for name in value)
        elif field.name in {"hold_c", "string_w"}:
            values[field.name] = np.array([float(one) for one in value])
        elif isinstance(value, list):
            values[field.name] = np.array([_positive(one) for one in value])
        else:
            values[field.name] = _positive(value)
    return Parameters(**values)


def _doubt(body: dict[str, Any], tree_count: int) -> Doubt:
    knobs = tuple(
        Knob(field=field, tree=tree, sd=_positive(sd))
        for field, tree, sd in body["numbers"]
        if (field in HOUSE_KNOBS if tree is None else field in TREE_KNOBS and tree in range(tree_count))
    )
    covariance = np.array(body["covariance"], dtype=np.float64)
    if covariance.shape != (len(knobs), len(knobs)) or not np.isfinite(covariance).all():
        raise ValueError(f"expected a covariance of {len(knobs)} numbers, but {covariance.shape} came")
    return Doubt(knobs=knobs, covariance=covariance)


def _positive(value: float) -> float:
    number = float(value)
    if not (math.isfinite(number) and number > 0.0):
        raise ValueError(f"expected a positive number, but {value!r} came")
    return number


def _same(one: Parameters, other: Parameters) -> bool:
    if one.tree_names != other.tree_names:
        return False
    return all(
        np.allclose(getattr(one, field.name), getattr(other, field.name), rtol=_SAME, atol=0.0)
        for field in fields(Parameters)
        if field.name not in _OF_SITE
    )
