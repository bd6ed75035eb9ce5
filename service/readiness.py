"""Notifies the service manager that the service is ready, alive or stopping, by systemd's sd_notify(3) protocol.

One datagram of ``NAME=value`` lines to the socket named in NOTIFY_SOCKET; without it nothing happens.
"""

from __future__ import annotations

import os
import socket

import structlog

log = structlog.get_logger(__name__)

READY, ALIVE, STOPPING = "READY=1", "WATCHDOG=1", "STOPPING=1"
#: Not ready yet: extends the start timeout by two minutes.
EXTEND_TIMEOUT = "EXTEND_TIMEOUT_USEC=120000000"


def notify(state: str, status: str = "") -> bool:
    """Send a notification; True when there is a service manager and the datagram was sent.

    Parameters
    ----------
    state : READY, ALIVE, STOPPING or PATIENCE.
    status : text for ``systemctl status``.

    References
    ----------
    .. [1] sd_notify(3), section "Notes" (the protocol is stable and may be implemented without the library).
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):  # Linux's abstract name space
        address = "\0" + address[1:]
    elif not address.startswith("/"):
        return False  # vsock and the like are for machines, not for services
    line = f"{state}\nSTATUS={' '.join(status.split())}" if status else state
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel:
            channel.settimeout(5)
            channel.connect(address)
            channel.sendall(line.encode("utf-8"))
    except OSError as error:
        log.warning("the service's starter cannot be told", state=state, error=str(error))
        return False
    return True
