"""One-tap links for messages: signed, short-lived, good for one use, and only ever for more heat.

Opening a link changes nothing, for messengers open links by themselves to preview them: it shows what it is
for and one button.
"""

import base64
import binascii
import json
import secrets
from dataclasses import dataclass

from controller.errors import PageError
from controller.phone.store import Store
from controller.phone.words import say

# How long a link may be used at most, and how long the heat it orders may last at most [s].
LONGEST_VALID_S = 12 * 3600.0
LONGEST_HEAT_S = 12 * 3600.0
LONGEST_TEXT = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """What a link is for: heat for ``target`` ("all" or "tree:<name>") for some time from its use on."""

    target: str
    heat_s: float
    who: str
    ends_s: float
    number: str


def link_for(store: Store, *, target: str, heat_s: float, who: str, valid_s: float, now_s: float) -> str:
    """Return a link's text, the last part of its address.

    Parameters
    ----------
    store
        The page's own memory, whose key signs.
    target
        "all" or "tree:<name>".
    heat_s
        How long the heat lasts from the use of the link on [s].
    who
        Whom it is given to; orders by it carry the name.
    valid_s
        How long it may be used [s].
    now_s
        The present, UTC seconds since 1970.

    Raises
    ------
    PageError
        A link may not be used, or its heat not last, so long.
    """
    if not (0.0 < valid_s <= LONGEST_VALID_S and 0.0 < heat_s <= LONGEST_HEAT_S):
        raise PageError("a link can be used for 12 h at most, and its heat lasts for 12 h at most")
    fields = [target, round(heat_s), who, round(now_s + valid_s), secrets.token_urlsafe(8)]
    inside = _encoded(json.dumps(fields, ensure_ascii=False, separators=(",", ":")).encode())
    return f"{inside}.{store.signed(inside)}"


def read_link(store: Store, text: str, now_s: float) -> Link:
    """Return what a link is for; raise ``PageError`` for one that is not ours, too old, or used."""
    inside, _, signature = text.partition(".")
    if len(text) > LONGEST_TEXT or not store.is_signed(inside, signature):
        raise PageError(say("link-wrong"))
    try:
        target, heat_s, who, ends_s, number = json.loads(base64.urlsafe_b64decode(inside + "=="))
    except (binascii.Error, ValueError):
        raise PageError(say("link-wrong")) from None
    if not now_s < ends_s:
        raise PageError(say("link-old"))
    if store.is_used(number):
        raise PageError(say("link-used"))
    return Link(target=target, heat_s=heat_s, who=who, ends_s=ends_s, number=number)


def _encoded(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")
