"""The external dead-man: an address fetched regularly, but only while control really cycles."""

from urllib.parse import urlsplit

from controller.alarm.ways import read_secret
from controller.errors import DeliveryError, FetchError
from controller.site.people import DeadMan
from controller.weather.fetch import reach

DEADLINE_S = 20.0
# Control decides every 10 s; not having done so for this long, it does not cycle [s].
CYCLES_WITHIN_S = 60.0


def tell_alive(dead_man: DeadMan) -> None:
    """Fetch the address; raise ``DeliveryError`` without ever showing more of it than its host."""
    address = read_secret(dead_man.address_file, "the dead-man's address")
    parts = urlsplit(address)
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise DeliveryError(f"{dead_man.address_file}: expected one https address")
    try:
        reach(address, deadline_s=DEADLINE_S)
    except FetchError as error:
        told = str(error).replace(parts.path, "", 1) if len(parts.path) > 1 else str(error)
        raise DeliveryError(f"dead-man: {told}") from None
