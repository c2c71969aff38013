"""What the agent refuses or cannot do, said so that a person can act on it."""

from __future__ import annotations


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
