"""What the agent refuses or cannot do, said so that a person can act on it."""

from __future__ import annotations

import errno

# What a system refuses, by the names that POSIX gives the reasons (errno.h).
_REFUSED = {
    errno.EIO: "the medium failed to read or write",
    errno.ENOENT: "it is not there",
    errno.ENODEV: "the medium is gone",
    errno.ENXIO: "the medium is gone",
    errno.EACCES: "this user may not do that there",
    errno.EPERM: "this user may not do that there",
    errno.EROFS: "the medium may only be read",
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk is full",
    errno.EFBIG: "the file is too large for the medium",
    errno.ENOTDIR: "a file stands where a folder should",
    errno.EISDIR: "a folder stands where a file should",
    errno.ENAMETOOLONG: "the name is too long for the medium",
    errno.EMFILE: "too many files are open",
    errno.ETIMEDOUT: "the medium did not answer in time",
}


def why(error: OSError) -> str:
    """Why the system refused something, with its own text behind it."""
    words = _REFUSED.get(error.errno or 0, "the system refused it")
    return f"{words} ({error.strerror or type(error).__name__})"


class AgentError(Exception):
    """`detail` says what happened, `consequence` what it means for the data, `next_step` what to do."""

    exit_code = 3

    def __init__(self, detail: str, consequence: str | None = None, next_step: str | None = None) -> None:
        super().__init__(detail)
        self.detail = detail
        self.consequence = consequence
        self.next_step = next_step

    def text(self) -> str:
        return "\n".join(part for part in (self.detail, self.consequence, self.next_step) if part)


class LinkDown(AgentError):
    """The service or the store could not be reached or answered that it cannot serve now: try again later."""

    exit_code = 5
    # Scheme and host of the server that did not serve, where one is to blame.
    origin: str | None = None


class Stopped(LinkDown):
    """The push was ended from here, by a person or by the hours in which pictures may go; nothing failed."""

    def __init__(self) -> None:
        super().__init__("The push was ended here.", "What is not yet sent is kept in the spool.")


class Refused(AgentError):
    """The service answered with a refusal (RFC 9457); repeating the same request will not help."""

    def __init__(
        self,
        status: int,
        kind: str,
        detail: str,
        consequence: str | None = None,
        next_step: str | None = None,
    ) -> None:
        super().__init__(detail, consequence, next_step)
        self.status = status
        self.kind = kind
