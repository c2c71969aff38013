"""A link of packets between a network namespace and this one: rate, delay, loss, each way.

    with PacketLink(rate=32_000, delay=0.3, loss=0.05) as link:
        subprocess.run([*link.inside, "curl", f"http://{link.host}:8000"])

Two TUN devices, their packets carried from one to the other here; for root on Linux only (`why_not`). What is
to be reached over it must listen at `link.host`, an address that exists on this machine alone.
"""

from __future__ import annotations

import fcntl
import heapq
import os
import random
import secrets
import select
import struct
import subprocess
import sys
import threading
import time
from itertools import count
from types import TracebackType

TUNSETIFF, IFF_TUN, IFF_NO_PI = 0x400454CA, 0x0001, 0x1000
MTU = 1400
# What waits longer than this before the link is dropped, as a modem with a short buffer does.
LONGEST_QUEUE = 1.0


def why_not() -> str | None:
    """Why there can be no such link here; None: there can."""
    if sys.platform != "linux" or os.geteuid() != 0:
        return "namespaces and TUN devices are for root on Linux"
    if not os.access("/dev/net/tun", os.W_OK):
        return "there is no /dev/net/tun"
    try:
        made = subprocess.run(["ip", "netns", "list"], capture_output=True, check=False)
    except FileNotFoundError:
        return "there is no ip command"
    return None if made.returncode == 0 else "ip netns does not work here"


class _Way:
    """One direction: packets in, packets out later, or never."""

    def __init__(self, link: PacketLink, to: int) -> None:
        self._link, self._to = link, to
        self._free_at = 0.0
        self._waiting: list[tuple[float, int, bytes]] = []
        self._number = count()
        self.bytes = self.packets = self.lost = 0

    def take(self, packet: bytes) -> None:
        at = time.monotonic()
        self.bytes += len(packet)
        self.packets += 1
        queue = max(0.0, self._free_at - at)
        if random.random() < self._link.loss or queue > LONGEST_QUEUE:
            self.lost += 1
            return
        self._free_at = at + queue + len(packet) / self._link.rate
        heapq.heappush(self._waiting, (self._free_at + self._link.delay, next(self._number), packet))

    def hand_on(self) -> float:
        """Write what is due; seconds until the next."""
        while self._waiting:
            wait = self._waiting[0][0] - time.monotonic()
            if wait > 0:
                return wait
            packet = heapq.heappop(self._waiting)[2]
            try:
                os.write(self._to, packet)
            except OSError:
                self.lost += 1
        return 1.0


class PacketLink:
    """`rate` in bytes per second and `delay` in seconds, each way; may be set while it runs."""

    def __init__(self, rate: float, delay: float, loss: float) -> None:
        self.rate, self.delay, self.loss = rate, delay, loss
        self._mark = secrets.token_hex(3)
        self._space = f"far-{self._mark}"
        net = f"10.255.{random.randrange(256)}"
        self.host = f"{net}.2"
        self._far = f"{net}.1"
        self.inside = ["ip", "netns", "exec", self._space]
        self._ended = threading.Event()

    def __enter__(self) -> PacketLink:
        _ip("netns", "add", self._space)
        self._ends = [_tun(f"tf{self._mark}"), _tun(f"tn{self._mark}")]
        _ip("link", "set", f"tf{self._mark}", "netns", self._space)
        _ip("-n", self._space, "link", "set", "lo", "up")
        for place, name, address, peer in (
            (["-n", self._space], f"tf{self._mark}", self._far, self.host),
            ([], f"tn{self._mark}", self.host, self._far),
        ):
            _ip(*place, "address", "add", address, "peer", peer, "dev", name)
            _ip(*place, "link", "set", name, "up", "mtu", str(MTU))
        self.up, self.down = _Way(self, self._ends[1]), _Way(self, self._ends[0])
        self._thread = threading.Thread(target=self._carry, name="packets", daemon=True)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        self._thread.join(10)
        for end in self._ends:
            os.close(end)
        _ip("netns", "del", self._space)

    def _carry(self) -> None:
        ways = dict(zip(self._ends, (self.up, self.down), strict=True))
        while not self._ended.is_set():
            wait = min(0.5, *(way.hand_on() for way in ways.values()))
            for end in select.select(self._ends, [], [], wait)[0]:
                try:
                    ways[end].take(os.read(end, 65536))
                except OSError:
                    return


def _tun(name: str) -> int:
    """A TUN device; packets that are routed to it are read here, those written here arrive from it."""
    end = os.open("/dev/net/tun", os.O_RDWR)
    fcntl.ioctl(end, TUNSETIFF, struct.pack("16sH", name.encode("ascii"), IFF_TUN | IFF_NO_PI))
    return end


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)
