"""Strong entity tags "<id>-<version>", so that nobody overwrites what they have not read.

The check here only saves work and gives the reader the present tag. What protects the record is
the compare-and-swap on `version` in the service: somebody may come in between.
"""

from __future__ import annotations

from typing import Any, Protocol, TypeVar

from django.http import HttpRequest, HttpResponseBase
from rest_framework.request import Request

from fleet.faults import Fault, Stale

R = TypeVar("R", bound=HttpResponseBase)


class Versioned(Protocol):
    """A row with a key and a version that grows by one with each change."""

    @property
    def pk(self) -> Any: ...
    @property
    def version(self) -> int: ...


class PreconditionMissing(Fault):
    status = 428
    code = "precondition_missing"


class StaleTag(Stale):
    """Stale, with the present tag for the answer's ETag header."""

    def __init__(self, detail: str, *, etag: str) -> None:
        super().__init__(detail)
        self.headers = {"ETag": etag}


def etag_of(row: Versioned) -> str:
    return f'"{row.pk}-{row.version}"'


def with_etag(response: R, row: Versioned) -> R:
    response["ETag"] = etag_of(row)
    return response


def require_match(request: HttpRequest | Request, row: Versioned) -> int:
    """The version that the request was made for; pass it on to the service.

    Raises PreconditionMissing without If-Match and StaleTag when no tag in it is the present one.
    Weak tags never match: RFC 9110 section 13.1.1 asks for strong comparison.
    """
    sent = request.headers.get("If-Match", "").strip()
    if not sent:
        raise PreconditionMissing(
            "Read the record first and send its ETag in an If-Match header, so that nobody "
            "else's change is overwritten."
        )
    present = etag_of(row)
    if sent != "*" and present not in [tag.strip() for tag in sent.split(",")]:
        raise StaleTag(
            "This was changed since you read it. Read it again and send your change with the new "
            "ETag.",
            etag=present,
        )
    return row.version
