"""Bodies packed with gzip (RFC 9110 8.4.1.3): manifests and receipts shrink to a third."""

from __future__ import annotations

import zlib
from collections.abc import AsyncGenerator, AsyncIterable

from litestar.config.compression import CompressionConfig
from litestar.exceptions import HTTPException
from litestar.exceptions.http_exceptions import RequestEntityTooLarge
from litestar.middleware import DefineMiddleware
from litestar.middleware.compression import CompressionMiddleware

from service.contract.wire import WORTH_PACKING
from service.errors import Malformed

GZIP = zlib.MAX_WBITS | 16
NOT_PACKED = ("", "identity")
# RFC 9110 8.4.1.3: a recipient takes x-gzip for the same.
GZIP_NAMES = ("gzip", "x-gzip")

# For routes whose answers have no entity tag: a strong one names the bytes before they are packed (RFC 9110
# 8.8.3.3), and would no longer do for If-Match.
packed = DefineMiddleware(
    CompressionMiddleware,
    config=CompressionConfig(backend="gzip", minimum_size=WORTH_PACKING, gzip_compress_level=1),
)


def must_be_plain(coding: str) -> None:
    """Raises an answer 415 for any content coding: a packed body costs little to send and much to read."""
    if coding.strip().lower() not in NOT_PACKED:
        raise HTTPException(
            "The body is packed, and this address takes it as it is; card returns may be packed.",
            status_code=415,
            headers={"Accept-Encoding": "identity"},
        )


def unpacked(body: AsyncGenerator[bytes, None], coding: str, most: float) -> AsyncGenerator[bytes, None]:
    """The body without its content coding.

    Raises an answer 415 for a coding other than gzip (RFC 9110 15.5.16), 413 when more than `most` bytes come
    out, whatever went in, and Malformed for what is no gzip or ends early.
    """
    name = coding.strip().lower()
    if name in NOT_PACKED:
        return body
    if name not in GZIP_NAMES:
        raise HTTPException(
            "The body is packed in a way that is not known here; gzip is.",
            status_code=415,
            headers={"Accept-Encoding": "gzip"},
        )
    return _gunzipped(body, most)


async def _gunzipped(body: AsyncIterable[bytes], most: float) -> AsyncGenerator[bytes, None]:
    stream, left = zlib.decompressobj(GZIP), int(most)
    async for chunk in body:
        try:
            data = stream.decompress(chunk, left + 1)
        except zlib.error as error:
            raise _torn() from error
        left -= len(data)
        if left < 0:
            raise RequestEntityTooLarge
        yield data
    if not stream.eof or stream.unused_data:
        raise _torn()


def _torn() -> Malformed:
    return Malformed("The body is said to be gzip and is not, or not all of it came.")
