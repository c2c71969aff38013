"""Logs as JSON lines and metrics. Neither ever holds a body, a cookie or a query string, and of headers only
what the access log says of an event: the user agent, made plain."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import prometheus_client
import structlog
from litestar.enums import HttpMethod, ScopeType
from litestar.types import ASGIApp, Message, Receive, Scope, Send
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.multiprocess import MultiProcessCollector

METRICS_TYPE = prometheus_client.CONTENT_TYPE_LATEST

requests_total = Counter("sightledger_requests_total", "Requests answered", ["method", "route", "status"])
request_seconds = Histogram("sightledger_request_seconds", "Time to answer", ["method", "route"])
requests_running = Gauge(
    "sightledger_requests_running", "Requests being answered", multiprocess_mode="livesum"
)

CARD_RETURN = "card_return_id"

_SHARED: list[Any] = [
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.add_log_level,
    structlog.processors.TimeStamper(fmt="iso", utc=True),
    structlog.processors.format_exc_info,
]
# The info lines of these libraries name every URL that is called, presigned ones included.
_QUIET = ("httpx", "httpcore", "boto3", "botocore", "urllib3", "s3transfer", "alembic")


def log_config(level: str) -> dict[str, Any]:
    """A `logging.config` dictionary that writes one JSON object per line to standard error."""
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "json": {
                "()": structlog.stdlib.ProcessorFormatter,
                "foreign_pre_chain": [structlog.stdlib.add_logger_name, *_SHARED],
                "processors": [
                    structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                    structlog.processors.JSONRenderer(default=str),
                ],
            }
        },
        "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "json"}},
        "root": {"handlers": ["stderr"], "level": level.upper()},
        "loggers": {
            **{name: {"level": "WARNING"} for name in _QUIET},
            # The server's access log would hold query strings; the service's own log takes its place.
            "granian.access": {"level": "CRITICAL", "propagate": False},
            "_granian": {"level": "INFO", "propagate": True},
        },
    }


def configure_logging(level: str) -> None:
    """Send structlog's and the standard library's lines to standard error as JSON."""
    import logging.config

    logging.config.dictConfig(log_config(level))
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            structlog.stdlib.add_logger_name,
            *_SHARED,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )


@contextmanager
def bind_request(request_id: str) -> Iterator[None]:
    """Every line written inside carries the request id, and what `bind_card_return` adds on the way."""
    with structlog.contextvars.bound_contextvars(request_id=request_id):
        try:
            yield
        finally:
            structlog.contextvars.unbind_contextvars(CARD_RETURN)


def bind_card_return(return_id: object) -> None:
    """From here on every line of this request carries the id of the card return it is about."""
    structlog.contextvars.bind_contextvars(**{CARD_RETURN: str(return_id)})


def watched(app: ASGIApp) -> ASGIApp:
    """The app with one log line and one measurement per request, by route pattern, never by address."""
    log = structlog.get_logger("service.access_line")

    async def watch(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != ScopeType.HTTP:
            await app(scope, receive, send)
            return
        status, started = 500, time.perf_counter()

        async def note_status(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        requests_running.inc()
        try:
            await app(scope, receive, note_status)
        finally:
            requests_running.dec()
            seconds = time.perf_counter() - started
            method = scope["method"] if scope["method"] in set(HttpMethod) else "OTHER"
            route = scope.get("path_template") or "unknown"
            requests_total.labels(method, route, str(status)).inc()
            request_seconds.labels(method, route).observe(seconds)
            caller = getattr(scope.get("user"), "id", None)
            log.info(
                "request",
                method=method,
                route=route,
                status=status,
                ms=round(seconds * 1000, 1),
                caller=None if caller is None else str(caller),
            )

    return watch


def metrics_text() -> bytes:
    """All measurements in Prometheus' text format, over all processes of this host."""
    if "PROMETHEUS_MULTIPROC_DIR" in os.environ:
        registry = CollectorRegistry()
        MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
        return prometheus_client.generate_latest(registry)
    return prometheus_client.generate_latest()
