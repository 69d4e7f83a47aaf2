"""What a service manager is told."""

import os
import socket


def notify(state: str) -> None:
    """Tell the service manager (sd_notify); without one, nothing happens."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        try:
            sock.sendto(state.encode(), address)
        except OSError:
            return
