"""HTML answers: templates, the words they use, and the headers every page carries."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from urllib.parse import urlencode, urlsplit
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined
from litestar import Response
from litestar.enums import MediaType
from markupsafe import Markup

from service.contract.showing import plain, size_words
from service.custody.rules import may_look
from service.settings import Settings
from service.web import rules

NOT_KEPT = "no-store"


def _time(at: datetime, zone: ZoneInfo) -> Markup:
    utc = rules.utc_words(at)
    return Markup('<time datetime="{}" title="{}">{}</time>').format(
        at.isoformat(), utc, rules.moment_words(at, zone)
    )


def _number(value: int) -> str:
    # A thin space parts thousands (ISO 80000-1); a comma would be a decimal sign at half of the sites.
    return f"{value:,}".replace(",", "\u202f")


def _per_cent(share: float | None) -> str:
    """The share rounded down, so that only all of something reads 100 %."""
    return "no data" if share is None else f"{int(share * 1000 + 1e-9) / 10:.1f} %"


def _day(value: date) -> Markup:
    return Markup('<time datetime="{}">{}</time>').format(value.isoformat(), rules.day_words(value))


def _query(**given: object) -> str:
    return urlencode({name: str(value) for name, value in given.items() if value not in (None, "")})


def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("service.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "number": _number,
        "per_cent": _per_cent,
        "moment": _time,
        "day": _day,
        "utc": rules.utc_words,
        "size": size_words,
        "plain": plain,
        "words": rules.term_words,
    }
    made.globals |= {
        "parts": rules.parts,
        "in_words": rules.in_words,
        "silent": rules.silent,
        "silence": rules.silence,
        "inspection_words": rules.inspection_words,
        "stands_open": rules.stands_open,
        "states": rules.STATES,
        "bar_parts": rules.PARTS,
        "query": _query,
        "may_look": may_look,
        "may_read_log": rules.may_read_log,
    }
    return made


_templates = _environment()


def headers(settings: Settings) -> dict[str, str]:
    """The headers of every page: they allow nothing from elsewhere but pictures from the object store."""
    store = urlsplit(settings.s3_public)
    policy = (
        "default-src 'self'; "
        f"img-src 'self' {store.scheme}://{store.netloc}; "
        "object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    )
    return {
        "Content-Security-Policy": policy,
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "same-origin",
        "Cache-Control": NOT_KEPT,
    }


def page(settings: Settings, template: str, *, status: int = 200, **context: Any) -> Response[str]:
    """An HTML page; `context` holds what the template names, `caller` among it."""
    context.setdefault("caller", None)
    context.setdefault("found", "")
    return Response(
        _templates.get_template(template).render(context),
        status_code=status,
        media_type=MediaType.HTML,
        headers=headers(settings),
    )
