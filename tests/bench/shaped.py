"""A link with a rate and a delay, in a process of its own: RATE DELAY PORT=TARGET...

One link, however many targets: they share the rate, bytes per second each way. DELAY is seconds each way.
Ends when standard input is closed.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

from deploy.embedded.ports import free_ports
from tests.link.proxy import Proxy


def main() -> None:
    rate, delay = float(sys.argv[1]), float(sys.argv[2])
    with ExitStack() as stack:
        proxies = []
        for word in sys.argv[3:]:
            port, _, target = word.partition("=")
            proxies.append(stack.enter_context(Proxy(target, int(port))))
        for proxy in proxies:
            proxy.faults.up_rate = proxy.faults.down_rate = rate
            proxy.faults.delay = delay
            proxy._up, proxy._down = proxies[0]._up, proxies[0]._down
        print("open", flush=True)
        sys.stdin.read()


@contextmanager
def shaped(rate: float, delay: float, *targets: str) -> Iterator[list[str]]:
    """Addresses that lead to `targets` over the link."""
    ports = free_ports(len(targets))
    pairs = [f"{port}={target}" for port, target in zip(ports, targets, strict=True)]
    running = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.shaped", str(rate), str(delay), *pairs],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert running.stdin
    assert running.stdout
    try:
        if running.stdout.readline() != "open\n":
            raise AssertionError("The shaped link did not open.")
        yield [f"http://127.0.0.1:{port}" for port in ports]
    finally:
        running.stdin.close()
        running.wait(20)
        running.stdout.close()


if __name__ == "__main__":
    main()
