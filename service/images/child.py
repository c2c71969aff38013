"""A process that takes apart bytes from outside and can do nothing else: `python -I -m service.images.child`.

It begins by giving up what it does not need, then answers one picture after another: a length and the bytes
on standard input, a length and a Look (MessagePack) on standard output. It ends with its standard input.
"""

from __future__ import annotations

import codecs
import ctypes
import io
import os
import resource
import struct
import sys
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

import msgspec
from PIL import Image

from service.contract.pictures import COMMENT_CODES
from service.images.rules import ORIENTATION, Look, look

# 25 megapixels in RGB twice, or their coefficients and the rows made of them, the file, and Python itself.
MEMORY = 512 * 1024 * 1024
# Of the processor, for one picture and for all that a child sees.
SECONDS, SECONDS_IN_ALL = 10, 600
LENGTH = struct.Struct(">Q")
# linux/sched.h, linux/prctl.h
_NEW_USERS, _NEW_NETWORK, _NO_NEW_PRIVILEGES = 0x10000000, 0x40000000, 38


class Ready(msgspec.Struct):
    """The first answer. `alone`: the child has a network of its own, with nothing in it."""

    alone: bool


def main() -> None:
    """Answer until standard input ends."""
    given, answers = sys.stdin.buffer, sys.stdout.buffer
    alone = _leave_network()
    _load_all()
    _give_up()
    _send(answers, msgspec.msgpack.encode(Ready(alone)))
    while len(head := given.read(LENGTH.size)) == LENGTH.size:
        original = given.read(LENGTH.unpack(head)[0])
        _allow_time()
        _send(answers, msgspec.msgpack.encode(_looked(original)))


def _looked(original: bytes) -> Look:
    try:
        return look(original)
    except MemoryError:
        return Look(why="it takes more memory than is given to one picture")


def _send(answers: BinaryIO, answer: bytes) -> None:
    answers.write(LENGTH.pack(len(answer)) + answer)
    answers.flush()


def _leave_network() -> bool:
    """A network namespace of its own (Linux); in a user namespace where the process may make none else, which
    takes every privilege over the system from it as well."""
    with suppress(OSError, AttributeError):
        system = ctypes.CDLL(None, use_errno=True)
        with suppress(AttributeError):
            system.prctl(_NO_NEW_PRIVILEGES, 1, 0, 0, 0)
        return any(system.unshare(kinds) == 0 for kinds in (_NEW_USERS | _NEW_NETWORK, _NEW_NETWORK))
    return False


def _load_all() -> None:
    """What is loaded at its first use must be there before no file can be opened."""
    for code in (*COMMENT_CODES.values(), "utf-16-le", "utf-16-be"):
        codecs.lookup(code)
    exif = Image.Exif()
    exif[ORIENTATION] = 6
    for name in ("JPEG", "PNG", "TIFF", "BMP"):
        out = io.BytesIO()
        Image.new("RGB", (16, 8)).save(out, name, exif=exif)
        msgspec.msgpack.encode(look(out.getvalue()))


def _give_up() -> None:
    os.nice(10)
    with suppress(OSError):
        # Where memory is short, this process goes first (Linux, proc(5)).
        Path("/proc/self/oom_score_adj").write_text("1000", "ascii")
    _limit(resource.RLIMIT_AS, MEMORY)
    _limit(resource.RLIMIT_CORE, 0)
    _limit(resource.RLIMIT_FSIZE, 0)
    # No further descriptor: neither a file nor a socket can be opened, whatever namespaces there are.
    _limit(resource.RLIMIT_NOFILE, 0)


def _allow_time() -> None:
    used = resource.getrusage(resource.RUSAGE_SELF)
    _limit(resource.RLIMIT_CPU, int(used.ru_utime + used.ru_stime) + SECONDS, SECONDS_IN_ALL)


def _limit(what: int, soft: int, hard: int | None = None) -> None:
    # Not every system has every limit.
    with suppress(ValueError, OSError):
        resource.setrlimit(what, (soft, soft if hard is None else hard))


if __name__ == "__main__":
    main()
