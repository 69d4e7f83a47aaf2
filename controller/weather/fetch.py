"""One bounded way to read JSON from a service that may be slow, wrong, hostile or gone.

A library's timeout bounds one socket operation, not an answer: a server that drips a byte a second keeps a
client with a timeout of ten seconds for ever.  So the request runs in a worker of its own, which is given up
at the deadline whatever it waits for (name lookup, headers, body), and no host may hold more than
``MOST_HUNG`` of them.
"""

import json
import math
import queue
import threading
import time
import zlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn
from urllib.parse import urlsplit

import requests
import urllib3

from controller import __version__
from controller.errors import FetchError, Retry

DEADLINE_S = 30.0
MAX_BYTES = 1_000_000
# One socket operation may take this long [s]; the deadline bounds their sum.
CONNECT_S = 10.0
READ_S = 10.0
MOST_HUNG = 2
PIECE_BYTES = 65536

_JSON_TYPES = ("application/json", "application/geo+json", "application/problem+json", "application/ld+json")
_CONTENT = frozenset({200, 203})
_NOT_MODIFIED = 304

_hung: Counter[str] = Counter()
_hung_lock = threading.Lock()


@dataclass(frozen=True, slots=True)
class Answer:
    """What a service answered: ``value`` is the JSON document, None when nothing has changed (304)."""

    status: int
    headers: Mapping[str, str]
    value: Any


def user_agent(contact: str) -> str:
    """Return how Rimeward names itself, with the grower's contact, as the services' terms ask."""
    return f"rimeward/{__version__} {contact}".strip()


def fetch(
    url: str,
    params: Mapping[str, str] | None = None,
    *,
    headers: Mapping[str, str] | None = None,
    deadline_s: float = DEADLINE_S,
    max_bytes: int = MAX_BYTES,
) -> Answer:
    """Return a JSON answer, or nothing at all.

    Parameters
    ----------
    url, params, headers
        What to ask.  Texts of errors name only host and path, since a key may stand among the parameters.
    deadline_s
        Wall time [s] for the whole of it, name lookup and headers included.
    max_bytes
        Largest body taken [bytes], both as sent and unpacked.

    Raises
    ------
    FetchError
        Says what was expected, what came, and what to do; ``retry`` says when to ask again.
    """
    return _bounded(
        url, deadline_s, lambda ends_s: _read(url, params or {}, headers or {}, ends_s, max_bytes)
    )


def reach(url: str, *, deadline_s: float = DEADLINE_S) -> None:
    """Ask for an address whose answer's body does not matter, within the same bounds.

    Raises
    ------
    FetchError
        It was not reached, or answered anything but 200 to 299.
    """
    _bounded(url, deadline_s, lambda ends_s: _reach(url, ends_s))


def _bounded(url: str, deadline_s: float, read: Callable[[float], Answer]) -> Answer:
    """Return what a worker reads, or give it up at the deadline whatever it waits for."""
    host = urlsplit(url).hostname or ""
    with _hung_lock:
        if _hung[host] >= MOST_HUNG:
            raise FetchError(f"{host}: {MOST_HUNG} earlier requests still hang there; not asked again yet")
        _hung[host] += 1
    ends_s = time.monotonic() + deadline_s
    outcome: queue.SimpleQueue[Answer | FetchError] = queue.SimpleQueue()

    def work() -> None:
        try:
            outcome.put(read(ends_s))
        except FetchError as error:
            outcome.put(error)
        except Exception as error:  # noqa: BLE001 (a thread's edge: whatever a hostile answer provokes is no answer)
            outcome.put(FetchError(f"{_place(url)}: could not be read ({type(error).__name__})"))
        finally:
            with _hung_lock:
                _hung[host] -= 1

    threading.Thread(target=work, name=f"fetch {host}", daemon=True).start()
    try:
        result = outcome.get(timeout=deadline_s)
    except queue.Empty:
        raise _too_slow(url) from None
    if isinstance(result, FetchError):
        raise result
    return result


def _read(
    url: str, params: Mapping[str, str], headers: Mapping[str, str], ends_s: float, max_bytes: int
) -> Answer:
    wait_s = max(0.1, ends_s - time.monotonic())
    with requests.Session() as session:
        session.trust_env = False
        try:
            response = session.get(
                url,
                params=params,
                headers={"Accept-Encoding": "identity", **headers},
                timeout=(min(CONNECT_S, wait_s), min(READ_S, wait_s)),
                allow_redirects=False,
                stream=True,
            )
            with response:
                body = b"".join(_pieces(response, url, ends_s, max_bytes))
        except (requests.RequestException, urllib3.exceptions.HTTPError, OSError) as error:
            raise FetchError(f"{_place(url)}: {_cause(error)}") from error
    if response.status_code == _NOT_MODIFIED:
        return Answer(_NOT_MODIFIED, response.headers, None)
    if response.status_code not in _CONTENT:
        raise _refused(url, response, body)
    kind = response.headers.get("Content-Type", "").partition(";")[0].strip().lower()
    if kind not in _JSON_TYPES:
        raise FetchError(
            f"{_place(url)}: expected JSON, got {_shown(kind or 'no content type')} beginning "
            f"{_shown(_text(body))}; is there a sign-in page between you and it?"
        )
    try:
        return Answer(response.status_code, response.headers, parse_json(body))
    except ValueError as error:
        raise FetchError(
            f"{_place(url)}: expected JSON, got {len(body)} bytes that are not ({error})"
        ) from error


def _reach(url: str, ends_s: float) -> Answer:
    wait_s = max(0.1, ends_s - time.monotonic())
    with requests.Session() as session:
        session.trust_env = False
        try:
            with session.get(
                url,
                headers={"User-Agent": user_agent("")},
                timeout=(min(CONNECT_S, wait_s), min(READ_S, wait_s)),
                allow_redirects=False,
                stream=True,
            ) as response:
                status, headers = response.status_code, response.headers
        except (requests.RequestException, urllib3.exceptions.HTTPError, OSError) as error:
            raise FetchError(f"{_place(url)}: {_cause(error)}") from error
    if not 200 <= status < 300:
        raise FetchError(f"{_place(url)}: expected 200, got {status}")
    return Answer(status, headers, None)


def _pieces(response: requests.Response, url: str, ends_s: float, max_bytes: int) -> Iterator[bytes]:
    """Yield the body as it comes, unpacked, until it ends, is too long, or is too late."""
    packing = response.headers.get("Content-Encoding", "identity").strip().lower()
    if packing not in {"identity", "gzip"}:
        raise FetchError(f"{_place(url)}: expected a plain or gzip body, got one packed as {_shown(packing)}")
    unpacker = zlib.decompressobj(wbits=31) if packing == "gzip" else None
    taken = given = 0
    while piece := response.raw.read1(PIECE_BYTES, decode_content=False):
        taken += len(piece)
        if unpacker is not None:
            try:
                piece = unpacker.decompress(piece, max_bytes - given + 1)
            except zlib.error as error:
                raise FetchError(f"{_place(url)}: the gzip body is damaged") from error
        given += len(piece)
        if max(taken, given) > max_bytes:
            raise FetchError(f"{_place(url)}: expected at most {max_bytes} bytes, more came; not taken")
        if time.monotonic() > ends_s:
            raise _too_slow(url)
        yield piece
    if unpacker is not None and not unpacker.eof and taken:
        raise FetchError(f"{_place(url)}: the gzip body broke off after {taken} bytes")


def parse_json(body: bytes) -> Any:
    """Return a JSON document; raise ``ValueError`` for what RFC 8259 does not allow or no machine holds."""
    try:
        return json.loads(
            body.decode("utf-8"), parse_constant=_no_number, parse_float=_finite, parse_int=_small
        )
    except UnicodeDecodeError as error:
        raise ValueError(f"not UTF-8 at byte {error.start}") from error
    except json.JSONDecodeError as error:
        raise ValueError(f"{error.msg} at character {error.pos}") from error
    except RecursionError as error:
        raise ValueError("nested too deeply") from error


def _no_number(name: str) -> NoReturn:
    raise ValueError(f"{name} is not JSON")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError("a number is too large")
    return value


def _small(text: str) -> int:
    # 2**53 is where doubles stop counting by one; no time, height or count in a forecast is near it
    if len(text) > 16:
        raise ValueError("a whole number is too large")
    return int(text)


def _refused(url: str, response: requests.Response, body: bytes) -> FetchError:
    """Return the error for a status that carries no forecast, with the service's own words."""
    status, words = response.status_code, _reason(body)
    place = f"{_place(url)}: expected 200, got {status} {_shown(words)}"
    if 300 <= status < 400:
        target = urlsplit(response.headers.get("Location", "")).hostname or "somewhere else"
        return FetchError(
            f"{place}: moved to {_shown(target)}; not followed. Check base_url", Retry.WHEN_MENDED
        )
    if status == 429:
        return FetchError(f"{place}; asked too often", _quota(words))
    if status in {401, 403}:
        return FetchError(f"{place}; check key_file and contact in the site file", Retry.WHEN_MENDED)
    if 400 <= status < 500:
        return FetchError(f"{place}; check place and base_url in the site file", Retry.WHEN_MENDED)
    return FetchError(f"{place}; the service is in trouble", Retry.SOON)


def _quota(words: str) -> Retry:
    """Return when a spent quota is filled again; unknown words mean the longest wait."""
    lowered = words.lower()
    for word, retry in (
        ("minute", Retry.NEXT_MINUTE),
        ("concurrent", Retry.NEXT_MINUTE),
        ("hour", Retry.NEXT_HOUR),
    ):
        if word in lowered:
            return retry
    return Retry.NEXT_DAY


def _reason(body: bytes) -> str:
    """Return an error body's words: Open-Meteo's ``reason``, RFC 9457's ``detail`` or ``title``, or all."""
    try:
        value = parse_json(body)
    except ValueError:
        return _text(body)
    if isinstance(value, dict):
        for key in ("reason", "detail", "title"):
            if isinstance(value.get(key), str):
                return str(value[key])
    return _text(body)


def _cause(error: BaseException) -> str:
    """Return a network failure in plain words; the library's own may hold the whole address with its key."""
    if isinstance(error, requests.exceptions.SSLError):
        return "its certificate cannot be trusted; is there a sign-in page between you and it?"
    if isinstance(error, requests.Timeout | urllib3.exceptions.TimeoutError | TimeoutError):
        return "no answer in time"
    if isinstance(error, requests.ConnectionError):
        text = "no connection (name unknown, host down, or cable out)"
        return text if "IncompleteRead" not in str(error) else "the answer broke off"
    if isinstance(error, urllib3.exceptions.ProtocolError | requests.exceptions.ChunkedEncodingError):
        return "the answer broke off"
    return f"no answer ({type(error).__name__})"


def _too_slow(url: str) -> FetchError:
    return FetchError(f"{_place(url)}: the whole answer did not come in time; given up")


def _place(url: str) -> str:
    parts = urlsplit(url)
    return f"{parts.hostname}{parts.path}"


def _text(body: bytes) -> str:
    return " ".join(body[:2000].decode("utf-8", "replace").split())


def _shown(text: str, most: int = 120) -> str:
    """Return foreign text made safe to show: one line, printable, short, quoted."""
    clean = "".join(c if c.isprintable() else "?" for c in text)
    return repr(clean if len(clean) <= most else clean[: most - 1] + "…")
