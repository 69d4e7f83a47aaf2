"""One-tap links for messages: signed, short-lived, and only ever for more heat or for having an alarm.

The alarm desk makes them and the page honours them, each until it was answered; what they share is a key in
the state folder, readable by its owner only.  Opening a link changes nothing, for messengers open links by
themselves to show what is behind them: it says what it is for and has one button.
"""

import base64
import binascii
import hashlib
import hmac
import json
import os
import secrets
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Literal

KEY_FILE = "link.key"
KEY_BYTES = 32
# How long a link may be used at most, and how long the heat it orders may last at most [s].
LONGEST_VALID_S = 12 * 3600.0
LONGEST_HEAT_S = 12 * 3600.0
LONGEST_TEXT = 500
ALARM = "alarm"


class LinkError(Exception):
    """A link is not ours, or cut short ("wrong"); or it is too old ("old")."""

    def __init__(self, fault: Literal["wrong", "old"]) -> None:
        super().__init__(fault)
        self.fault = fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """What a link is for: heat for ``target`` ("all", "tree:<name>") from its use on, or "alarm:<key>"."""

    target: str
    heat_s: float
    who: str
    ends_s: float
    number: str

    @property
    def alarm(self) -> str:
        """The key of the alarm it acknowledges; empty for one that heats."""
        kind, _, key = self.target.partition(":")
        return key if kind == ALARM else ""


def key_in(folder: Path) -> bytes:
    """Return the key that signs links, made where there is none; ``OSError`` where it cannot be kept."""
    path = folder / KEY_FILE
    if not path.exists():
        with NamedTemporaryFile(dir=folder) as new:  # mode 0600
            new.write(secrets.token_bytes(KEY_BYTES))
            new.flush()
            os.fsync(new.fileno())
            with suppress(FileExistsError):  # whole at once, and never over another process's
                os.link(new.name, path)
    return path.read_bytes()


def link_for(key: bytes, *, target: str, heat_s: float, who: str, valid_s: float, now_s: float) -> str:
    """Return a link's text, the last part of its address.

    Parameters
    ----------
    key
        What signs.
    target
        "all", "tree:<name>", or "alarm:<key>" ("alarm:all").
    heat_s
        How long the heat lasts from the use of the link on [s]; of no account for an alarm.
    who
        Whom it is given to; what is done by it carries the name.
    valid_s
        How long it may be used [s].
    now_s
        The present, UTC seconds since 1970.

    Raises
    ------
    ValueError
        A link may not be used, or its heat not last, so long.
    """
    if not (0.0 < valid_s <= LONGEST_VALID_S and 0.0 < heat_s <= LONGEST_HEAT_S):
        raise ValueError("a link can be used for 12 h at most, and its heat lasts for 12 h at most")
    fields = [target, round(heat_s), who, round(now_s + valid_s), secrets.token_urlsafe(8)]
    inside = _encoded(json.dumps(fields, ensure_ascii=False, separators=(",", ":")).encode())
    return f"{inside}.{_signature(key, inside)}"


def read_link(key: bytes, text: str, now_s: float) -> Link:
    """Return what a link is for; raise ``LinkError`` for one that is not ours or too old."""
    inside, _, signature = text.partition(".")
    signed = hmac.compare_digest(signature.encode(), _signature(key, inside).encode())
    if len(text) > LONGEST_TEXT or not signed:
        raise LinkError("wrong")
    try:
        target, heat_s, who, ends_s, number = json.loads(base64.urlsafe_b64decode(inside + "=="))
    except (binascii.Error, ValueError):
        raise LinkError("wrong") from None
    if not now_s < ends_s:
        raise LinkError("old")
    return Link(target=target, heat_s=heat_s, who=who, ends_s=ends_s, number=number)


def _signature(key: bytes, text: str) -> str:
    return _encoded(hmac.new(key, f"link:{text}".encode(), hashlib.sha256).digest())


def _encoded(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")
