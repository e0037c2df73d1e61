"""Compressed bodies in both directions (gzip, RFC 1952): a field tablet has a thin line."""

import gzip
import io
import zlib
from collections.abc import Callable

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.middleware.gzip import GZipMiddleware

from api.errors import Encoding, TooLarge, describe
from fleet.errors import DomainError, Malformed, Problem

JSON = "application/json"
# What is worth compressing; documents and workbooks are compressed in themselves.
TEXTS = ("text/", JSON, "application/problem+json", "application/x-ndjson", "image/svg+xml",
         "application/vnd.oai.openapi")  # fmt: skip
WITH_BODY = {"POST", "PUT", "PATCH"}  # what others send along is not read, however it is coded
# Answers that hold a secret once: nothing of it is told by a length.
SECRETS = tuple(f"/api/v1/{name}/" for name in ("tokens", "webhooks", "calendar-feeds"))


class Compression(GZipMiddleware):
    """Reads JSON that was sent compressed, and compresses texts for whoever accepts it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        super().__init__(get_response)

    def process_request(self, request: HttpRequest) -> HttpResponse | None:
        """Unpack the body; answer a problem where that cannot be done."""
        encoding = request.headers.get("Content-Encoding", "").strip().lower()
        if encoding in {"", "identity"} or request.method not in WITH_BODY:
            return None
        try:
            if encoding not in {"gzip", "x-gzip"} or request.content_type != JSON:
                raise Encoding(Problem("Content-Encoding", "This is not read", "gzip, of JSON"))
            body = unpacked(request)
        except DomainError as refused:
            details = describe(refused)
            assert details is not None
            return details.response()
        request._body = body  # noqa: SLF001 - what was read is read again by whoever asks
        request.META["CONTENT_LENGTH"] = str(len(body))
        del request.META["HTTP_CONTENT_ENCODING"]
        return None

    def process_response(
        self, request: HttpRequest, response: HttpResponseBase
    ) -> HttpResponseBase:
        """Compress a text."""
        kind = response.headers.get("Content-Type", "")
        if not kind.startswith(TEXTS) or request.path.startswith(SECRETS):
            return response
        return super().process_response(request, response)


def unpacked(request: HttpRequest) -> bytes:
    """Return the body of a request, unpacked.

    Raises
    ------
    TooLarge
        If there is more than is read at once, packed or not: the rest is not unpacked.
    Malformed
        If it is not gzip, or ends early.
    """
    limit = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
    packed = request.read(limit + 1)
    if not packed:
        raise Malformed(Problem("", "The body is empty", "gzip"))
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(packed)) as file:
            body = file.read(limit + 1)
    except (OSError, EOFError, zlib.error) as wrong:
        raise Malformed(Problem("", "The body is not gzip, or not all of it", "gzip")) from wrong
    if max(len(packed), len(body)) > limit:
        raise TooLarge(Problem("", "The body is too long", f"at most {limit} bytes, unpacked"))
    return body
