"""A TCP proxy of the tests' own that does to a connection what bad links do, steered while it runs.

    with Proxy(service.url) as link:
        link.faults.up_rate, link.faults.delay = 32_000, 0.3
        link.reset_all()
        assert link.up < 1000

It runs in a thread with a loop of its own; `faults` may be set from any thread at any time and holds for
connections that are open. Where it stands: the agent speaks to the address in its enrolment, so for the
service that address must be the proxy's; uploads go to the address in the ticket, so for the store the
service's `s3_public_endpoint` must be the proxy's (the host is signed; the proxy passes it on as it is).

Bytes are counted when they pass the link, not when a sender has handed them to its system: the receive
buffer is kept small so that the two stay near each other. Loss of packets is not here but in netlink.py.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import socket
import struct
import threading
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from types import TracebackType
from urllib.parse import urlsplit

CHUNK = 64 * 1024
RECEIVE_BUFFER = 64 * 1024
# Answers that say 503 are read to the end of the request, so that the sender sees them.
BUSY = b"HTTP/1.1 503 Service Unavailable\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"
LINE = re.compile(rb"([A-Z]+) (\S+) HTTP/1\.1\r\n")
STATUS = re.compile(rb"HTTP/1\.1 (\d{3}) ")
LENGTH = re.compile(rb"\r\ncontent-length: *(\d+)", re.IGNORECASE)


@dataclass
class Faults:
    """What the link does now. Rates in bytes per second over all connections, times in seconds."""

    delay: float = 0.0  # each way
    up_rate: float | None = None  # from the agent
    down_rate: float | None = None
    refuse: bool = False  # new connections are reset
    stall: bool = False  # nothing is read any more, in either direction: a sender's buffers fill
    swallow: bool = False  # everything is read, nothing goes on: the far end is gone and nobody says so
    busy: bool = False  # the HTTP answer to everything is 503
    cut_after: int | None = None  # bytes from the agent after which its connection is reset, once
    drop_answer_to: bytes | None = (
        None  # the request with this in its first line is done, its answer lost, once
    )
    flip_from: int | None = None  # one bit of the last byte of the next chunk at least this long, once


@dataclass(eq=False)
class _Connection:
    near: asyncio.StreamWriter
    far: asyncio.StreamWriter
    gone: bool = False
    ended: bool = False
    answer_lost: bool = False
    tasks: list[asyncio.Task[None]] = field(default_factory=list)

    def reset(self) -> None:
        for writer in (self.near, self.far):
            _reset(writer)

    def half_close(self) -> None:
        if not self.ended:
            self.ended = True
            self.near.write_eof()

    def lose(self) -> None:
        self.gone = True


class Proxy:
    """Listens at `url` and passes everything to `target` (an address or host:port).

    `host` is 127.0.0.1, or an address of this machine's own that leads over netlink.py.
    """

    def __init__(self, target: str, port: int = 0, host: str = "127.0.0.1") -> None:
        place = urlsplit(target if "//" in target else f"//{target}")
        self._target = (place.hostname or "127.0.0.1", place.port or 80)
        self.faults = Faults()
        self.up = self.down = self.connections = 0
        self.requests: deque[str] = deque(maxlen=100_000)
        self.statuses: deque[int] = deque(maxlen=100_000)
        self._open: set[_Connection] = set()
        self._background: set[asyncio.Task[None]] = set()
        self._loop = asyncio.new_event_loop()
        self._up, self._down = _Bucket(), _Bucket()
        self._listener = _listener(host, port)
        self.port = int(self._listener.getsockname()[1])
        self.url = f"http://{host}:{self.port}"
        self._thread = threading.Thread(target=self._run, name=f"proxy-{self.port}", daemon=True)

    def __enter__(self) -> Proxy:
        self._server = self._loop.run_until_complete(asyncio.start_server(self._serve, sock=self._listener))
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        asyncio.run_coroutine_threadsafe(self._end(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()

    # Steering, from any thread

    def share(self, other: Proxy) -> None:
        """From now on both have one rate between them, as two servers behind one link have."""
        self._up, self._down = other._up, other._down

    def reset_all(self) -> None:
        """Every open connection is reset, both sides."""
        self._each(_Connection.reset)

    def half_close_all(self) -> None:
        """The agent is told that the far end sends no more; what it sends still goes on."""

        self._each(_Connection.half_close)

    def half_open_all(self) -> None:
        """The far end of every open connection is gone and nobody says so; new connections work."""
        self._each(_Connection.lose)

    def cut_every(self, seconds: float, down: float = 0.0) -> None:
        """From now on reset everything each `seconds`, and refuse what comes for `down` seconds after; 0: no
        more of that."""

        async def cutting() -> None:
            while True:
                await asyncio.sleep(seconds)
                for one in list(self._open):
                    one.reset()
                self.faults.refuse = bool(down)
                await asyncio.sleep(down)
                self.faults.refuse = False

        def begin() -> None:
            for task in self._background:
                task.cancel()
            self._background = {self._loop.create_task(cutting())} if seconds else set()

        self._call(begin)

    def count(self, method: str, part: str = "") -> int:
        """Requests of this method whose target holds `part`."""
        return sum(line.startswith(f"{method} ") and part in line for line in list(self.requests))

    def _each(self, action: Callable[[_Connection], None]) -> None:
        def run() -> None:
            for one in list(self._open):
                action(one)

        self._call(run)

    def _call(self, action: Callable[[], object]) -> None:
        done = threading.Event()

        def run() -> None:
            try:
                action()
            finally:
                # An aborted connection is closed in the loop's next turn.
                self._loop.call_later(0.01, done.set)

        self._loop.call_soon_threadsafe(run)
        done.wait(10)

    # Within the loop

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_forever()

    async def _end(self) -> None:
        self._server.close()
        for one in list(self._open):
            one.reset()
        waiting = [task for one in list(self._open) for task in one.tasks] + list(self._background)
        for task in waiting:
            task.cancel()
        await asyncio.gather(*waiting, return_exceptions=True)
        others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        await asyncio.wait(others, timeout=2) if others else None

    async def _serve(self, reader: asyncio.StreamReader, near: asyncio.StreamWriter) -> None:
        self.connections += 1
        if self.faults.refuse:
            _reset(near)
            return
        try:
            far_reader, far = await asyncio.open_connection(*self._target)
        except OSError:
            _reset(near)
            return
        one = _Connection(near, far)
        self._open.add(one)
        one.tasks = [
            asyncio.create_task(self._pump(one, reader, far, self._from_agent)),
            asyncio.create_task(self._pump(one, far_reader, near, self._to_agent)),
        ]
        try:
            # A half that ends tells the other side so; both must end, or one must fail.
            await asyncio.wait(one.tasks, return_when=asyncio.FIRST_EXCEPTION)
        finally:
            for task in one.tasks:
                task.cancel()
            await asyncio.gather(*one.tasks, return_exceptions=True)
            self._open.discard(one)
            near.close()
            far.close()

    async def _pump(
        self,
        one: _Connection,
        reader: asyncio.StreamReader,
        writer: asyncio.StreamWriter,
        judge: Callable[[_Connection, bytes], Awaitable[bytes | None]],
    ) -> None:
        """Read, judge, and hand on after the delay; the queue holds what is under way."""
        queue: asyncio.Queue[tuple[float, bytes]] = asyncio.Queue(maxsize=256)
        sender = asyncio.create_task(self._hand_on(queue, writer))
        try:
            while not sender.done():
                while self.faults.stall:
                    await asyncio.sleep(0.02)
                data = await reader.read(self._chunk())
                if not data and (one.gone or self.faults.swallow):
                    # Neither side is told of the other's end.
                    await (asyncio.sleep(0) if writer is one.far else asyncio.Event().wait())
                    raise ConnectionResetError
                passed = await judge(one, data) if data else data
                if passed is not None:
                    await queue.put((self._loop.time() + self.faults.delay, passed))
                if not data:
                    await sender
        finally:
            sender.cancel()
        sender.result()

    async def _hand_on(self, queue: asyncio.Queue[tuple[float, bytes]], writer: asyncio.StreamWriter) -> None:
        while True:
            at, data = await queue.get()
            await asyncio.sleep(max(0.0, at - self._loop.time()))
            if not data:
                if writer.can_write_eof():
                    writer.write_eof()
                return
            writer.write(data)
            await writer.drain()

    def _chunk(self) -> int:
        slowest = min(self.faults.up_rate or 1e9, self.faults.down_rate or 1e9)
        return max(1, min(CHUNK, int(slowest / 20)))

    async def _from_agent(self, one: _Connection, data: bytes) -> bytes | None:
        await self._up.take(len(data), self.faults.up_rate)
        self.up += len(data)
        self._note(one, data)
        faults = self.faults
        if faults.busy:
            await self._say_busy(one, data)
        if faults.cut_after is not None:
            faults.cut_after -= len(data)
            if faults.cut_after <= 0:
                faults.cut_after = None
                one.reset()
                raise ConnectionResetError
        if faults.flip_from is not None and len(data) >= faults.flip_from:
            faults.flip_from = None
            data = data[:-1] + bytes([data[-1] ^ 1])
        return None if faults.swallow or one.gone else data

    def _note(self, one: _Connection, data: bytes) -> None:
        line = LINE.match(data)
        if line is None:
            return
        self.requests.append(f"{line[1].decode()} {line[2].decode().partition('?')[0]}")
        if self.faults.drop_answer_to is not None and self.faults.drop_answer_to in line[0]:
            self.faults.drop_answer_to = None
            one.answer_lost = True

    async def _say_busy(self, one: _Connection, data: bytes) -> None:
        """Read what the request still has to send, answer 503, end the connection."""
        head, _, body = data.partition(b"\r\n\r\n")
        length = LENGTH.search(head)
        one.tasks[1].cancel()
        left = int(length[1]) - len(body) if length else 0
        reader: asyncio.StreamReader = one.near.transport.get_protocol()._stream_reader  # type: ignore[attr-defined]
        while left > 0 and (more := await reader.read(CHUNK)):
            await self._up.take(len(more), self.faults.up_rate)
            self.up += len(more)
            left -= len(more)
        one.near.write(BUSY)
        with contextlib.suppress(ConnectionError):
            await one.near.drain()
        raise ConnectionAbortedError

    async def _to_agent(self, one: _Connection, data: bytes) -> bytes | None:
        if one.answer_lost:
            one.reset()
            raise ConnectionResetError
        await self._down.take(len(data), self.faults.down_rate)
        if self.faults.swallow or one.gone or one.ended:
            return None
        self.down += len(data)
        if status := STATUS.match(data):
            self.statuses.append(int(status[1]))
        return data


class _Bucket:
    """Turns at a rate, in the order in which they were asked for; no credit is saved up."""

    def __init__(self) -> None:
        self._free_at = 0.0

    async def take(self, size: int, rate: float | None) -> None:
        if rate is None:
            return
        at = asyncio.get_running_loop().time()
        self._free_at = max(self._free_at, at) + size / rate
        await asyncio.sleep(self._free_at - at)


def _listener(host: str, port: int) -> socket.socket:
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    # Accepted connections inherit it.
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)
    listener.bind((host, port))
    return listener


def _reset(writer: asyncio.StreamWriter) -> None:
    """Close with RST instead of FIN."""
    end = writer.get_extra_info("socket")
    if end is not None:
        with contextlib.suppress(OSError):
            end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()
