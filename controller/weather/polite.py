"""Asking a public service no more often than it wants to be asked.

An answer stands until its ``Expires`` (RFC 9111); after that it is asked for again with ``If-Modified-Since``
and the exact ``Last-Modified`` it came with.
"""

import re
from collections.abc import Mapping
from datetime import datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any

from controller.errors import FetchError, Retry
from controller.weather.fetch import fetch, user_agent

# An answer that does not say how long it stands, and the longest we believe one that does [s].
DEFAULT_LIFE_S = 600.0
MOST_LIFE_S = 2 * 3600.0
_LONGEST_CONTACT_WORDS = "contact in [forecast] of the site file: a mail or web address"


class Polite:
    """One address, its last answer, and until when that stands.

    Parameters
    ----------
    contact
        How the service reaches the grower; the terms of these services demand one.
    accept
        The media type to ask for.
    """

    def __init__(self, contact: str, accept: str = "application/json") -> None:
        self._contact = contact
        self._accept = accept
        self._last_modified = ""
        self._value: Any = None
        self._stands_until: datetime | None = None

    def get(self, url: str, params: Mapping[str, str], now: datetime) -> tuple[Any, bool]:
        """Return the newest document and whether it is a new one."""
        if not self._contact:
            raise FetchError(f"this service's terms ask for a {_LONGEST_CONTACT_WORDS}", Retry.WHEN_MENDED)
        if self._value is not None and self._stands(now):
            return self._value, False
        headers = {"User-Agent": user_agent(self._contact), "Accept": self._accept}
        if self._value is not None and self._last_modified:
            headers["If-Modified-Since"] = self._last_modified
        answer = fetch(url, params, headers=headers)
        self._stands_until = now + timedelta(seconds=life_s(answer.headers))
        if answer.value is None:
            if self._value is None:
                raise FetchError("expected a document, got 'nothing new' (304) to a first request")
            return self._value, False
        self._value, self._last_modified = answer.value, answer.headers.get("Last-Modified", "")
        return self._value, True

    def forget(self) -> None:
        """Drop the last answer: it was not what it should be."""
        self._value, self._last_modified, self._stands_until = None, "", None

    def _stands(self, now: datetime) -> bool:
        if self._stands_until is None:
            return False
        left_s = (self._stands_until - now).total_seconds()
        return 0.0 < left_s <= MOST_LIFE_S  # more means that the clock was set back


def life_s(headers: Mapping[str, str]) -> float:
    """Return how long an answer stands [s], by the service's own clock (Expires less Date, or max-age)."""
    try:
        life = (
            parsedate_to_datetime(headers["Expires"]) - parsedate_to_datetime(headers["Date"])
        ).total_seconds()
    except (KeyError, ValueError, TypeError, OverflowError):
        found = re.search(r"max-age=(\d{1,9})", headers.get("Cache-Control", ""))
        life = float(found[1]) if found else DEFAULT_LIFE_S
    return min(max(life, 0.0), MOST_LIFE_S)
