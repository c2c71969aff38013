"""The application: settings in, Litestar out."""

from __future__ import annotations

import gc
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.metadata import version

from litestar import Litestar, Router
from litestar.di import Provide
from litestar.middleware import DefineMiddleware
from litestar.openapi import OpenAPIConfig
from litestar.openapi.spec import Components, SecurityScheme, Tag

import service.access.log_routes
import service.access.routes
import service.campaigns.routes
import service.custody.routes
import service.intake.routes
import service.plans.routes
import service.records.routes
import service.web.routes
from service.access.auth import SESSION_COOKIE, Authentication, provide_caller
from service.access.refusals import noted
from service.bodies import BODY
from service.contract.wire import build_shapes
from service.described import DescribedJson
from service.disclosure import security_txt
from service.health import live, metrics, ready
from service.http import ServiceRequest, framed
from service.observe import configure_logging, watched
from service.parts import Parts
from service.problems import EXCEPTION_HANDLERS
from service.settings import Settings, read_settings
from service.web.refusals import with_pages

ROUTERS: list[Router] = [
    service.access.routes.router,
    service.access.log_routes.router,
    service.plans.routes.router,
    service.records.routes.router,
    service.campaigns.routes.router,
    service.intake.routes.router,
    service.custody.routes.router,
    service.web.routes.router,
]


# What handlers are given by the name of their parameter.
PROVIDED = (
    "db",
    "objects",
    "settings",
    "commits",
    "signer",
    "writable",
    "watch",
    "access_log",
    "checks",
    "single_sign_on",
)


def create_app(settings: Settings | None = None) -> Litestar:
    """The service; raises SettingError when it cannot start with these settings."""
    settings = settings or read_settings()
    configure_logging(settings.log_level)
    build_shapes()
    parts = Parts(settings)
    provided = {name: _provide(getattr(parts, name)) for name in PROVIDED}

    @asynccontextmanager
    async def lifespan(_app: Litestar) -> AsyncIterator[None]:
        # All that was loaded stays: looking through it for garbage would hold everybody up for 0.2 s.
        gc.collect()
        gc.freeze()
        try:
            yield
        finally:
            await parts.close()

    app = Litestar(
        route_handlers=[live, ready, metrics, security_txt, *ROUTERS],
        lifespan=[lifespan],
        middleware=[DefineMiddleware(Authentication)],
        dependencies={"caller": Provide(provide_caller, sync_to_thread=False), **provided},
        exception_handlers=with_pages(EXCEPTION_HANDLERS),
        openapi_config=openapi_config(),
        request_class=ServiceRequest,
        request_max_body_size=BODY,
        logging_config=None,
    )
    app.state.db = parts.db
    app.state.settings = settings
    handler = noted(app.asgi_handler, parts.access_log, trusted_proxy=settings.trusted_proxy == "yes")
    app.asgi_handler = framed(watched(handler), https=settings.secure_cookies)
    return app


def _provide(part: object) -> Provide:
    return Provide(lambda: part, sync_to_thread=False)


def openapi_config() -> OpenAPIConfig:
    """OpenAPI as JSON only: every renderer at hand loads its script from outside the machine."""
    return OpenAPIConfig(
        title="Sightledger",
        version=version("sightledger"),
        description=(
            "Standard plans, campaigns, card returns and image history. Ids are UUIDv7 made by the caller; "
            "the same request again gives the same answer. Bodies sent to intake may be packed with gzip "
            "(Content-Encoding); so are its long answers, for those who take it (Accept-Encoding). "
            "Refusals are application/problem+json (RFC 9457)."
        ),
        openapi_router=Router(
            path="/api/v1/schema", route_handlers=[], include_in_schema=False, opt={"exclude_from_auth": True}
        ),
        render_plugins=[DescribedJson(path="/openapi.json")],
        use_handler_docstrings=True,
        security=[{"bearer": []}, {"cookie": []}],
        components=Components(
            security_schemes={
                "bearer": SecurityScheme(
                    type="http", scheme="bearer", description="the token of an agent or of a person's session"
                ),
                "cookie": SecurityScheme(
                    type="apiKey",
                    security_scheme_in="cookie",
                    name=SESSION_COOKIE,
                    description="a browser's session",
                ),
            }
        ),
        tags=[
            Tag(name="access", description="sign-in, accounts, agents, sites and keys"),
            Tag(name="health", description="for load balancers and operators"),
            Tag(name="plans", description="standard plans, their revisions, approval and differences"),
            Tag(name="campaigns", description="campaigns, inspections, statements and completion"),
            Tag(name="records", description="units, images and the history of a serial number"),
            Tag(name="intake", description="card returns from manifest to receipt, placements and moves"),
            Tag(name="custody", description="how the originals are kept: read back, locked, for how long"),
        ],
    )
