"""Free TCP ports on loopback."""

from __future__ import annotations

import random
import socket
from contextlib import ExitStack

# Below the range from which Linux and macOS take the local ends of outgoing connections, so that a
# port found free is not taken by someone's client before our server binds it.
LOWEST, HIGHEST = 15000, 32000


def free_port() -> int:
    """A port of 127.0.0.1 that nobody listens on at this moment."""
    return free_ports(1)[0]


def free_ports(number: int, *, apart: int = 0) -> list[int]:
    """Distinct ports of 127.0.0.1 that nobody listens on at this moment.

    With `apart`, the port that lies so much higher is free too.
    """
    found: list[int] = []
    with ExitStack() as held:
        while len(found) < number:
            port = random.randint(LOWEST, HIGHEST - apart)
            if all(_hold(held, each) for each in {port, port + apart}):
                found.append(port)
    return found


def all_free(ports: list[int]) -> bool:
    """True when nobody listens on any of these ports of 127.0.0.1."""
    with ExitStack() as held:
        return all(_hold(held, port) for port in ports)


def _hold(held: ExitStack, port: int) -> bool:
    probe = held.enter_context(socket.socket())
    # As the servers do: a connection of an earlier run that is still fading out is no obstacle.
    probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        probe.bind(("127.0.0.1", port))
    except OSError:
        return False
    return True
