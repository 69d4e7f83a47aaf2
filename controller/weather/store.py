"""The last good forecast, kept on disk so that a restart or a dead line does not lose it."""

import contextlib
import json
import math
import os
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError, model_validator

from controller.physics import FloatArray
from controller.weather.forecast import STEP_S, Forecast

MAX_BYTES = 4_000_000
_Column = tuple[float | None, ...]


class _Kept(BaseModel):
    """A forecast as it lies on disk; unknown values are null."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)

    source: str = Field(max_length=200)
    attribution: str = Field(max_length=500)
    fetched_at: AwareDatetime
    issued_at: AwareDatetime | None
    elevation_m: float
    at_s: tuple[float, ...] = Field(min_length=1, max_length=1000)
    outside_temp_c: _Column
    dew_point_c: _Column
    wind_m_s: _Column
    gust_m_s: _Column
    cloud_frac: _Column
    shortwave_w_m2: _Column
    precipitation_mm: _Column
    missing: tuple[str, ...] = Field(max_length=20)
    spread_k: _Column | None = None
    members_c: Annotated[tuple[_Column, ...], Field(max_length=200)] | None = None
    remark: str = Field(default="", max_length=1000)

    @model_validator(mode="after")
    def _fits(self) -> "_Kept":
        if any(later - earlier != STEP_S for earlier, later in zip(self.at_s, self.at_s[1:], strict=False)):
            raise ValueError("times are not an hour apart")
        columns = {name: values for name, values in self if name in _COLUMNS and values is not None}
        columns |= {f"member {i}": values for i, values in enumerate(self.members_c or ())}
        for name, values in columns.items():
            if len(values) != len(self.at_s):
                raise ValueError(f"{name} has {len(values)} values for {len(self.at_s)} times")
        return self


_COLUMNS = frozenset(_Kept.model_fields) - {
    "source", "attribution", "fetched_at", "issued_at", "elevation_m", "missing", "members_c", "remark"
}  # fmt: skip


class LastGood:
    """One forecast in one file, replaced as a whole.

    Parameters
    ----------
    path
        The file.  A damaged one is set aside beside it (ending ``.damaged``) and ignored.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self.trouble = ""

    def keep(self, forecast: Forecast) -> None:
        """Write a forecast; a full or broken disk is told in ``trouble`` and nothing else."""
        beside = self._path.with_name(self._path.name + ".new")
        try:
            with beside.open("w", encoding="utf-8") as file:
                json.dump(_plain(forecast), file, separators=(",", ":"))
                file.flush()
                os.fsync(file.fileno())
            beside.replace(self._path)
            self.trouble = ""
        except OSError as error:
            self.trouble = (
                f"the forecast could not be kept on disk ({error.strerror or type(error).__name__})"
            )
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)

    def recall(self) -> Forecast | None:
        """Return the forecast kept, or None."""
        try:
            with self._path.open("rb") as file:
                body = file.read(MAX_BYTES + 1)
        except OSError:
            return None
        try:
            if len(body) > MAX_BYTES:
                raise ValueError("too long")  # noqa: TRY301 (handled like every other damage, just below)
            return _forecast(_Kept.model_validate_json(body))
        except (ValidationError, ValueError):
            self.trouble = "the forecast kept on disk was damaged and has been set aside"
            with contextlib.suppress(OSError):
                self._path.replace(self._path.with_name(self._path.name + ".damaged"))
            return None


def _plain(forecast: Forecast) -> dict[str, Any]:
    plain: dict[str, Any] = {}
    for name in _Kept.model_fields:
        value = getattr(forecast, name)
        if isinstance(value, np.ndarray):
            value = _nulled(value.tolist())
        elif isinstance(value, datetime):
            value = value.isoformat()
        plain[name] = value
    return plain


def _nulled(values: list[Any]) -> list[Any]:
    """Return numbers with null for NaN, at any depth."""
    return [_nulled(v) if isinstance(v, list) else (v if math.isfinite(v) else None) for v in values]


def _forecast(kept: _Kept) -> Forecast:
    fields: dict[str, Any] = {name: _array(value) if name in _COLUMNS else value for name, value in kept}
    if kept.members_c is not None:
        fields["members_c"] = np.array([_array(member) for member in kept.members_c])
    return Forecast(**fields)


def _array(values: tuple[float | None, ...] | None) -> FloatArray | None:
    if values is None:
        return None
    return np.array([math.nan if v is None else v for v in values], dtype=np.float64)
