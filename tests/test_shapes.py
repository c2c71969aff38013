"""Shapes that several threads decode at once."""

from __future__ import annotations

import subprocess
import sys

import pytest

# Fresh shapes again and again, each first decoded by eight threads at once.
AT_ONCE = """
import random, sys
from concurrent.futures import ThreadPoolExecutor
import msgspec
from service.contract.wire import build_shapes

def shape(name, **fields):
    made = type(name, (msgspec.Struct,), {"__annotations__": fields, "__module__": "__main__"})
    globals()[name] = made
    return made

def decode(wanted):
    for _ in range(random.randrange(200)):
        pass
    return msgspec.json.decode(b'{"a":{"b":{"c":1}},"z":{"b":{"c":2}}}', type=wanted)

sys.setswitchinterval(1e-6)
with ThreadPoolExecutor(8) as pool:
    for _ in range(400):
        shape("Inner", c="int")
        shape("Middle", b="Inner")
        outer = shape("Outer", a="Middle", z="Middle")
        if sys.argv[1] == "built":
            build_shapes()
        assert len(set(map(repr, pool.map(decode, [outer] * 8)))) == 1
"""


def ended(how: str) -> int:
    return subprocess.run([sys.executable, "-c", AT_ONCE, how], capture_output=True, check=False).returncode


def test_shapes_that_are_built_before_threads_begin_end_no_process() -> None:
    """Measured with msgspec 0.22.0: not built, 400 rounds ended with a segmentation fault nearly always."""
    assert [ended("built") for _ in range(3)] == [0, 0, 0]


@pytest.mark.parametrize("process", ["agent", "service"])
def test_every_shape_that_is_loaded_can_be_built(process: str) -> None:
    modules = {
        "agent": "agent.__main__, agent.running.runner",
        "service": "service.app, service.commands.serving",
    }
    code = f"import {modules[process]}\nfrom service.contract.wire import build_shapes\nbuild_shapes()"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, check=False).returncode == 0
