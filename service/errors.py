"""Refusals: each says what happened, what it means for the caller's data, and what to do next."""

from __future__ import annotations

from service.contract.problem import Problem, ProblemError

UNCHANGED = "Nothing was changed."


class Refusal(Exception):
    """A request the service understood and turned down; raised, never returned, so that nothing commits."""

    status = 400
    slug = "refused"
    title = "The request was refused"
    #: Seconds after which a repetition may succeed; None where waiting does not help.
    retry_after_s: int | None = None

    def __init__(
        self,
        detail: str,
        *,
        consequence: str = UNCHANGED,
        next_step: str | None = None,
        errors: list[ProblemError] | None = None,
    ) -> None:
        super().__init__(detail)
        self.detail = detail
        self.consequence = consequence
        self.next_step = next_step
        self.errors = errors or []

    def problem(self, instance: str | None = None) -> Problem:
        """This refusal as RFC 9457 problem details."""
        return Problem(
            type=f"urn:sightledger:problem:{self.slug}",
            title=self.title,
            status=self.status,
            detail=self.detail,
            instance=instance,
            consequence=self.consequence,
            next_step=self.next_step,
            errors=self.errors,
        )


class Malformed(Refusal):
    status, slug, title = 400, "malformed", "The request cannot be read"


class NotSignedIn(Refusal):
    status, slug, title = 401, "not-signed-in", "No valid token or session"


class NotAllowed(Refusal):
    status, slug, title = 403, "not-allowed", "The caller may not do this"
    #: What the caller may not do, where it is an act that roles allow.
    act: str | None = None


class PasswordWasReset(Refusal):
    status, slug, title = 403, "password-reset", "A new password must be set first"


class NotFound(Refusal):
    status, slug, title = 404, "not-found", "There is no such record"


class TooSlow(Refusal):
    status, slug, title = 408, "too-slow", "The request did not come in time"


class Conflict(Refusal):
    status, slug, title = 409, "conflict", "The request does not fit the record as it stands"


class Stale(Refusal):
    status, slug, title = 412, "stale", "The record has changed since it was read"


class Invalid(Refusal):
    status, slug, title = 422, "invalid", "The content is not valid"


class ConditionMissing(Refusal):
    status, slug, title = 428, "condition-missing", "An If-Match header is needed"


class TooMany(Refusal):
    """Raised with the number of seconds to wait."""

    status, slug, title = 429, "too-many", "Too many attempts"

    def __init__(self, detail: str, *, retry_after_s: int, next_step: str | None = None) -> None:
        super().__init__(detail, next_step=next_step)
        self.retry_after_s = retry_after_s


class Unavailable(Refusal):
    status, slug, title = 503, "unavailable", "A part the service needs does not answer"
    retry_after_s = 2
