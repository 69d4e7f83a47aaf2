"""When a fault happens and to whom: as part of a night's file, or written in one word.

S01@02:00+2h             at two in the morning, for two hours
S24:air-lemon@3h         to one probe, three hours after the start, to the end
M07@22:00+1h~30s/5m      half a minute of every five, for an hour
"""

import math
import re
from datetime import datetime, timedelta
from typing import Self

from pydantic import BaseModel, ConfigDict, model_validator

from controller.errors import RehearsalError
from simulator.faults.catalogue import catalogue

_LENGTH = r"(\d+(?:\.\d+)?)(s|m|h)"
_WORD = re.compile(
    rf"(?P<id>[A-Z]+-?\d+)(?::(?P<target>[^@+~\s]+))?(?:@(?P<at>[^+~\s]+))?"
    rf"(?:\+(?P<length>{_LENGTH}))?(?:~(?P<lasts>{_LENGTH})/(?P<every>{_LENGTH}))?"
)
_SECONDS = {"s": 1.0, "m": 60.0, "h": 3600.0}
_FORM = "expected FAULT[:TARGET][@WHEN][+LENGTH][~LASTS/EVERY], such as S01@02:00+2h"


class FaultSetting(BaseModel):
    """One fault of a night: which, to whom, from when on, for how long, and whether it comes and goes."""

    model_config = ConfigDict(
        frozen=True, extra="forbid", strict=True, allow_inf_nan=False, use_attribute_docstrings=True
    )

    id: str
    """Its id in the catalogue; a pair's id stands for both of its faults."""
    target: str = ""
    """A tree, probe, board, circuit or vent; left out, the first of its kind."""
    at: str = "0h"
    """Local time of day ("02:00"), or how long after the night's start ("3h", "90m")."""
    lasts: str = ""
    """How long, "2h"; left out, to the night's end."""
    comes_for: str = ""
    """Of an intermittent fault: how long it is there each time, "30s"."""
    comes_every: str = ""
    """Of an intermittent fault: how long from one beginning to the next, "5m"."""

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.id not in catalogue():
            raise ValueError(f"there is no fault '{self.id}'; `rimeward rehearse --list-faults` lists them")
        _onset_s(self.at, datetime(2027, 1, 1))  # noqa: DTZ001 (only whether it can be read)
        if bool(self.comes_for) != bool(self.comes_every):
            raise ValueError("an intermittent fault needs both comes_for and comes_every")
        lengths_s = [_length_s(text) for text in (self.lasts, self.comes_for, self.comes_every) if text]
        if not all(length_s > 0.0 for length_s in lengths_s):
            raise ValueError("a fault lasts longer than 0 s")
        if self.comes_for and not _length_s(self.comes_for) < _length_s(self.comes_every):
            raise ValueError("comes_for must be shorter than comes_every")
        return self

    @classmethod
    def read(cls, word: str) -> Self:
        """Return a fault from one word.

        Raises
        ------
        RehearsalError
            It is not of the form above, or names nothing of the catalogue.
        """
        found = _WORD.fullmatch(word)
        if found is None:
            raise RehearsalError(f"'{word}' is no fault: {_FORM}")
        part = found.groupdict(default="")
        try:
            return cls(
                id=part["id"],
                target=part["target"],
                at=part["at"] or "0h",
                lasts=part["length"],
                comes_for=part["lasts"],
                comes_every=part["every"],
            )
        except ValueError as error:
            told = [each["msg"] for each in error.errors()] if hasattr(error, "errors") else [str(error)]
            reasons = [each.removeprefix("Value error, ") for each in told]
            raise RehearsalError(f"'{word}' is no fault: {'; '.join(reasons)}") from None

    def onset_s(self, start: datetime) -> float:
        """Return when it begins [s after the night's start], of a night that starts at a local time."""
        return _onset_s(self.at, start)

    @property
    def length_s(self) -> float:
        """How long it lasts [s]; without end if nothing is said."""
        return _length_s(self.lasts) if self.lasts else math.inf

    @property
    def cycle_s(self) -> tuple[float, float] | None:
        """How long it is there, and from beginning to beginning [s]; None if it stays."""
        return (_length_s(self.comes_for), _length_s(self.comes_every)) if self.comes_for else None


def _length_s(text: str) -> float:
    found = re.fullmatch(_LENGTH, text)
    if found is None:
        raise ValueError(f"expected a length such as 30s, 20m or 2h, but '{text}' came")
    return float(found[1]) * _SECONDS[found[2]]


def _onset_s(text: str, start: datetime) -> float:
    if ":" not in text:
        return _length_s(text)
    try:
        time = datetime.strptime(text, "%H:%M").time()  # noqa: DTZ007 (a time of day)
    except ValueError:
        raise ValueError(f"expected a time of day such as 02:00, but '{text}' came") from None
    at = datetime.combine(start.date(), time)
    return (at + timedelta(days=at < start) - start).total_seconds()
