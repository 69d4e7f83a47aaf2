"""What the page itself must remember: its password, who is logged in, used links, and who ordered what.

One small SQLite file of its own, readable by its owner only.  No password and no token stands in it in plain:
passwords as scrypt, tokens as SHA-256.
"""

import base64
import hashlib
import hmac
import secrets
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from controller.errors import PageError
from controller.links import key_in

# OWASP Password Storage Cheat Sheet (from memory): N = 2^14, r = 8, p = 5 is one of its equal choices;
# 16 MiB and a quarter of a second on a small server.
SCRYPT_N, SCRYPT_R, SCRYPT_P = 2**14, 8, 5
SCRYPT_MEMORY = 64 * 1024 * 1024
SALT_BYTES = 16
SHORTEST_PASSWORD = 8
# A session ends so long after its last use, and so long after its begin whatever happens.
IDLE_S = 12 * 3600.0
LONGEST_S = 14 * 86400.0
# The record of who ordered what is kept for two winters.
KEEP_S = 800 * 86400.0

_FORM = """
CREATE TABLE IF NOT EXISTS secret (name TEXT PRIMARY KEY, value BLOB NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS session (
  token_sha256 BLOB PRIMARY KEY, who TEXT NOT NULL, begun_s REAL NOT NULL, used_s REAL NOT NULL
) STRICT;
CREATE TABLE IF NOT EXISTS used_link (number TEXT PRIMARY KEY, ends_s REAL NOT NULL) STRICT;
CREATE TABLE IF NOT EXISTS audit (
  at_s REAL NOT NULL, who TEXT NOT NULL, address TEXT NOT NULL, what TEXT NOT NULL, answer TEXT NOT NULL
) STRICT;
"""


@dataclass(frozen=True, slots=True)
class Session:
    """Who is looking, and by which token."""

    token: str
    who: str


class Store:
    """The page's own memory; raises ``PageError`` if it cannot be opened."""

    def __init__(self, path: Path) -> None:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch(mode=0o600)
            # used by one thread at a time, the event loop's, which need not be the one that opened it
            self._connection = sqlite3.connect(
                path, timeout=5.0, isolation_level=None, check_same_thread=False
            )
            self._connection.executescript(_FORM)
            self.link_key = key_in(path.parent)
        except (OSError, sqlite3.Error) as error:
            raise PageError(f"{path}: the page cannot keep its sessions here ({error})") from error
        self._key = self._secret("key") or self._keep("key", secrets.token_bytes(32))

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    # ---- the password ----------------------------------------------------------------------------------

    @property
    def kept_password(self) -> bytes | None:
        """What is kept of the password: salt and scrypt; None before one is set."""
        return self._secret("password")

    @property
    def has_password(self) -> bool:
        """Whether a password has been set."""
        return self.kept_password is not None

    def set_password(self, password: str) -> None:
        """Set the password and end every session; raise ``PageError`` for one that is too short."""
        if len(password) < SHORTEST_PASSWORD:
            raise PageError(f"the password has {len(password)} characters; use at least {SHORTEST_PASSWORD}")
        salt = secrets.token_bytes(SALT_BYTES)
        self._keep("password", salt + _scrypt(password, salt))
        self.end_all()

    # ---- sessions --------------------------------------------------------------------------------------

    def begin(self, who: str, now_s: float) -> Session:
        """Begin a session."""
        token = secrets.token_urlsafe(32)
        self._connection.execute("DELETE FROM session WHERE used_s < ?", (now_s - IDLE_S,))
        self._connection.execute("INSERT INTO session VALUES (?, ?, ?, ?)", (_sha(token), who, now_s, now_s))
        return Session(token, who)

    def session(self, token: str, now_s: float) -> Session | None:
        """Return the session of a token, None if it has ended or never was."""
        row = self._connection.execute(
            "SELECT who, begun_s, used_s FROM session WHERE token_sha256 = ?", (_sha(token),)
        ).fetchone()
        if row is None or not (0.0 <= now_s - row[2] < IDLE_S and 0.0 <= now_s - row[1] < LONGEST_S):
            return None
        if now_s - row[2] > 60.0:
            self._connection.execute(
                "UPDATE session SET used_s = ? WHERE token_sha256 = ?", (now_s, _sha(token))
            )
        return Session(token, row[0])

    def end(self, token: str) -> None:
        """End one session."""
        self._connection.execute("DELETE FROM session WHERE token_sha256 = ?", (_sha(token),))

    def end_all(self) -> None:
        """End every session."""
        self._connection.execute("DELETE FROM session")

    # ---- proof that a form came from this page ---------------------------------------------------------

    def form_token(self, token: str) -> str:
        """Return what a form must carry to be believed from this session."""
        return self._mac("form", token)

    def is_form_token(self, given: str, token: str) -> bool:
        """Tell whether a form carries it."""
        return hmac.compare_digest(given.encode(), self.form_token(token).encode())

    # ---- links that are good for one answer -------------------------------------------------------------

    def is_used(self, number: str) -> bool:
        """Tell whether a link is used up."""
        row = self._connection.execute("SELECT 1 FROM used_link WHERE number = ?", (number,)).fetchone()
        return row is not None

    def use(self, number: str, ends_s: float, now_s: float) -> None:
        """Use a link up."""
        self._connection.execute("DELETE FROM used_link WHERE ends_s < ?", (now_s,))
        self._connection.execute("INSERT OR IGNORE INTO used_link VALUES (?, ?)", (number, ends_s))

    def _mac(self, purpose: str, text: str) -> str:
        mac = hmac.new(self._key, f"{purpose}:{text}".encode(), hashlib.sha256).digest()
        return base64.urlsafe_b64encode(mac).decode().rstrip("=")

    # ---- who ordered what ------------------------------------------------------------------------------

    def note(self, at_s: float, who: str, address: str, what: str, answer: str) -> None:
        """Write down what somebody did."""
        self._connection.execute("DELETE FROM audit WHERE at_s < ?", (at_s - KEEP_S,))
        self._connection.execute(
            "INSERT INTO audit VALUES (?, ?, ?, ?, ?)", (at_s, who, address, what, answer)
        )

    def noted(self) -> list[tuple[float, str, str, str, str]]:
        """Return everything written down, oldest first."""
        return list(self._connection.execute("SELECT * FROM audit ORDER BY at_s"))

    def _secret(self, name: str) -> bytes | None:
        row = self._connection.execute("SELECT value FROM secret WHERE name = ?", (name,)).fetchone()
        return None if row is None else bytes(row[0])

    def _keep(self, name: str, value: bytes) -> bytes:
        self._connection.execute("INSERT OR REPLACE INTO secret VALUES (?, ?)", (name, value))
        return value


def is_password(kept: bytes | None, password: str) -> bool:
    """Tell whether this is the password kept; slow on purpose, so never to be called on an event loop."""
    if kept is None:
        return False
    return hmac.compare_digest(kept[SALT_BYTES:], _scrypt(password, kept[:SALT_BYTES]))


def _scrypt(password: str, salt: bytes) -> bytes:
    return hashlib.scrypt(
        password.encode(), salt=salt, n=SCRYPT_N, r=SCRYPT_R, p=SCRYPT_P, maxmem=SCRYPT_MEMORY
    )


def _sha(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()
