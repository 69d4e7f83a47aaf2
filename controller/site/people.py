"""How people are told of alarms: the site file's table ``[alarm]``.

Passwords and addresses that are secret stand in files of their own.
"""

from datetime import time
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from controller.site.told import Settings

LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})


def _time_of_day(text: str) -> str:
    try:
        time.fromisoformat(text)
    except ValueError as error:
        raise ValueError("use a time of day such as '22:30'") from error
    return text


TimeOfDay = Annotated[str, Field(pattern=r"^[0-2][0-9]:[0-5][0-9]$"), AfterValidator(_time_of_day)]
Name = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$", max_length=40)]
MailAddress = Annotated[str, Field(pattern=r"^[^@\s,;<>]+@[^@\s,;<>]+$", max_length=254)]


class Way(Settings):
    """What every way to reach somebody has."""

    name: Name
    """A name for it, such as the person's."""
    from_severity: int = Field(default=2, ge=2, le=4)
    """Least severity that is sent this way: 2 mend it by day, 3 mend it today, 4 crop or house at risk."""
    after_min: float = Field(default=0.0, ge=0, le=1440)
    """Sent only once an alarm has stood unacknowledged for so long [min]: for the person asked second."""


class Mail(Way):
    """Mail, handed to a mail server (SMTP)."""

    host: str = Field(min_length=1, max_length=253, pattern=r"^[A-Za-z0-9._:-]+$")
    """The mail server's host name."""
    port: int = Field(default=587, ge=1, le=65535)
    """Its port."""
    security: Literal["starttls", "tls", "none"] = "starttls"
    """How the connection is kept secret; 'none' only to this same machine."""
    ca_file: str | None = Field(default=None, max_length=400)
    """Certificate of the authority that signed the server's; left out, the system's authorities count."""
    user: str | None = Field(default=None, max_length=254)
    """User name, if the server wants one."""
    password_file: str | None = Field(default=None, max_length=400)
    """File that holds the password; passwords do not belong in this file."""
    sender: MailAddress
    """Address the mail comes from."""
    to: tuple[MailAddress, ...] = Field(min_length=1, max_length=10)
    """Addresses it goes to."""

    @model_validator(mode="after")
    def _kept_secret(self) -> Self:
        if self.security == "none" and self.host not in LOOPBACK:
            raise ValueError(
                "security 'none' would send mail, and any password, readable by everybody on the way; use "
                "'starttls' or 'tls', or a server on this machine"
            )
        if (self.user is None) is not (self.password_file is None):
            raise ValueError("give user and password_file together, or neither")
        return self


class Messenger(Way):
    """A messenger or a telephone's push service, through Apprise (`pip install rimeward[alarm]`)."""

    address_file: str = Field(max_length=400)
    """File that holds the messenger's address in Apprise's form, one a line; it is a secret."""


class DeadMan(Settings):
    """An address outside the site that is fetched regularly while control really works, and only then.

    Whoever keeps it tells people when the fetches stop: the one alarm that works when the site is dark.
    """

    address_file: str = Field(max_length=400)
    """File that holds the address (https); it is a secret, for whoever knows it can keep the alarm quiet."""
    every_min: float = Field(default=5.0, ge=1, le=60)
    """How often it is fetched [min]."""


class Alarm(Settings):
    """How people are told of alarms."""

    page: str = Field(default="", max_length=200, pattern=r"^(https?://[^\s/]+[^\s]*)?$")
    """Address of the page for phones, so that messages can name it."""
    quiet_from: TimeOfDay | None = None
    """Local time from which only the worst wakes people (severity 4); the rest waits until quiet_until."""
    quiet_until: TimeOfDay | None = None
    """Local time until which it is quiet."""
    daily_at: TimeOfDay | None = "08:00"
    """Local time of the daily sign of life."""
    mail: tuple[Mail, ...] = Field(default=(), max_length=8)
    """Ways by mail."""
    messenger: tuple[Messenger, ...] = Field(default=(), max_length=8)
    """Ways by messenger or push service."""
    dead_man: DeadMan | None = None
    """The address fetched while control works."""

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if (self.quiet_from is None) is not (self.quiet_until is None):
            raise ValueError("give quiet_from and quiet_until together, or neither")
        names = [way.name for way in self.ways]
        if len(set(names)) < len(names):
            raise ValueError(f"two ways have the same name: {', '.join(names)}")
        return self

    @property
    def ways(self) -> tuple[Way, ...]:
        """Every way to reach somebody."""
        return (*self.mail, *self.messenger)
