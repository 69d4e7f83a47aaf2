"""Every error Rimeward raises on purpose.

    RimewardError
    ├── AlreadyRunningError  another instance holds the state folder
    ├── FileError          a file or folder that a command needs cannot be used
    ├── SiteFileError      the site file is wrong; holds every fault found, with its line
    ├── ForecastError      no new forecast came of this attempt
    │   ├── FetchError     the service could not be read within its bounds
    │   └── ShapeError     it answered, but not with what its documentation promises
    ├── MessageError       a payload on the bus is not what the contract says
    ├── BoardError         a board's own file or hardware cannot be used
    ├── ConformityError    a board does not do what the bus contract says
    ├── BrokerError        no broker could be started or reached
    ├── JournalError       the journal cannot be used
    ├── LogbookError       a logbook cannot be used; the text names line and column
    ├── ModelError         a learnt model cannot be used or kept
    ├── ProbeError         a probe cannot be calibrated; the text says what to do
    ├── OrderError         an order by hand was not given, or nothing is known of it
    ├── DeliveryError      a message did not reach its way out
    ├── PageError          the page for phones cannot be served so
    ├── WiringError        a wiring test cannot be made or kept
    └── RehearsalError     a night cannot be played

The core (thermal, crop, plan, guard, keeper) raises only ``ValueError`` for a programmer's mistake: a bad
world is data there.
"""

from enum import StrEnum


class RimewardError(Exception):
    """Something went wrong that a person can mend; the text says how."""

    exit_code = 1


class AlreadyRunningError(RimewardError):
    """Another instance holds the state folder."""

    exit_code = 75


class FileError(RimewardError):
    """A file or folder that a command needs cannot be used."""


class SiteFileError(RimewardError):
    """A site file cannot be used."""


class Retry(StrEnum):
    """When asking a forecast service again is worth while, by the cause of the failure."""

    SOON = "soon"
    NEXT_MINUTE = "next-minute"
    NEXT_HOUR = "next-hour"
    NEXT_DAY = "next-day"
    WHEN_MENDED = "when-mended"


class ForecastError(RimewardError):
    """No new forecast came of this attempt; the last good one still stands."""

    def __init__(self, text: str, retry: Retry = Retry.SOON) -> None:
        super().__init__(text)
        self.retry = retry


class FetchError(ForecastError):
    """A service could not be read within its bounds of time, size and kind."""


class ShapeError(ForecastError):
    """A service answered, but not with what its documentation promises."""


class MessageError(RimewardError):
    """A payload on the bus is not what the contract says."""


class BoardError(RimewardError):
    """A board's own file or hardware cannot be used."""


class ConformityError(RimewardError):
    """A board does not do what the bus contract says."""


class BrokerError(RimewardError):
    """No broker could be started or reached."""


class JournalError(RimewardError):
    """The journal cannot be used."""


class LogbookError(RimewardError):
    """A logbook cannot be used."""


class ModelError(RimewardError):
    """A learnt model cannot be used or kept."""


class ProbeError(RimewardError):
    """A probe cannot be calibrated so."""


class OrderError(RimewardError):
    """An order by hand could not be given, or nobody answered it."""


class DeliveryError(RimewardError):
    """A message was not taken by the way it was to go."""


class PageError(RimewardError):
    """The page for phones cannot be served so."""


class WiringError(RimewardError):
    """A wiring test cannot be made or kept."""


class RehearsalError(RimewardError):
    """A night cannot be played."""
