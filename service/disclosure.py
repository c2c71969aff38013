"""To whom a weakness is reported: /.well-known/security.txt (RFC 9116)."""

from __future__ import annotations

from datetime import timedelta

from litestar import Response, get
from litestar.di import NamedDependency

from service.database import server_now
from service.errors import NotFound
from service.settings import Settings

# RFC 9116 2.5.5 recommends less than a year.
GOOD_FOR = timedelta(days=180)


@get("/.well-known/security.txt", exclude_from_auth=True, include_in_schema=False)
async def security_txt(settings: NamedDependency[Settings]) -> Response[str]:
    """The operator's contact, as the settings name it."""
    if not settings.security_contact:
        raise NotFound(
            "This service names nobody for reports of weaknesses.",
            next_step="Ask its operator to set SIGHTLEDGER_SECURITY_CONTACT.",
        )
    lines = [
        f"Contact: {settings.security_contact}",
        f"Expires: {server_now() + GOOD_FOR:%Y-%m-%dT%H:%M:%SZ}",
        "Preferred-Languages: en",
        f"Canonical: {settings.public_url.rstrip('/')}/.well-known/security.txt",
    ]
    return Response("".join(f"{line}\r\n" for line in lines), media_type="text/plain")
