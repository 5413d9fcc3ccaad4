"""What crosses the socket between a world and who is connected to it.

The socket is of type SOCK_SEQPACKET: one message a packet, in order.  Every message begins with
its kind and the sender's CLOCK_MONOTONIC (s), which both processes share: the world is brought up
to that instant before the message acts on it, so that a world that was kept waiting for a processor
neither delays an edge nor lets the dead-man expire meanwhile.

Outputs are posted, not answered; whatever is asked afterwards is answered by a world that has them.
"""

from __future__ import annotations

import socket
from pathlib import Path
from struct import Struct

SOCKET_NAME = "world"
LONGEST = 65_536  # bytes of one message

HEAD = Struct("<Bd")  # kind, the sender's monotonic time

# kind -> what follows the head, and what comes back
DRIVE = 1  # PIN; posted: the pin is an output and drives the level
LET_GO = 2  # PIN; posted: the pin drives no more
LEVEL = 3  # PIN; back: one byte, the level read at the pin
TRANSFER = 4  # BUS, then the bytes written; back: an error number (0: none), then the bytes read
ORDER = 5  # JSON object with "do"; back: JSON object, with "refused" if it was not done

PIN = Struct("<Bd2B")  # head, BCM number, level
BUS = Struct("<Bd4B")  # head, bus, address, how many bytes are written, how many are read

MASTER = "master"  # how the record names the master relay's contact


def socket_path(folder: Path) -> Path:
    """Return the path of the socket of the world in ``folder``."""
    return folder / SOCKET_NAME


def new_socket() -> socket.socket:
    """Return a socket of the kind that both ends use."""
    return socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
