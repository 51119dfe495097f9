"""Ports: bound before anything else runs, so that one in use is said in one sentence."""

import errno
import socket

from server.config import Address
from server.errors import SettingsError


def bind(address: Address, *, what: str) -> socket.socket:
    """A listening socket on `address` (port 0: any).

    Raises SettingsError when the port is in use or not allowed.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((address.host, address.port))
        listening.listen(128)
    except OSError as error:
        listening.close()
        came = (
            "one that another program uses"
            if error.errno == errno.EADDRINUSE
            else error.strerror or "an error"
        )
        needed = "a free port; change it in the settings, or end the other program"
        raise SettingsError(f"{what} on {address.host}:{address.port}", needed, came) from None
    listening.setblocking(False)  # noqa: FBT003  (the library takes it so)
    return listening
