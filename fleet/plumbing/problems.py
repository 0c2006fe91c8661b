"""Every refusal of the API as application/problem+json (RFC 9457), and the pages they point to.

`errors` lists all faults, never only the first, each with a JSON Pointer (RFC 6901) into what was
sent; "" is the whole of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any, ClassVar

from django.core.exceptions import PermissionDenied as DjangoPermissionDenied
from django.core.exceptions import RequestDataTooBig
from django.db import IntegrityError, OperationalError
from django.db.models import ProtectedError
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.http.multipartparser import MultiPartParserError
from django.shortcuts import render
from django.views import defaults
from rest_framework import exceptions
from rest_framework.settings import api_settings
from rest_framework.views import set_rollback

from fleet.faults import Conflict, Fault

CONTENT_TYPE = "application/problem+json"


@dataclass(frozen=True)
class Problem:
    """One kind of problem: what its page says."""

    title: str
    means: str
    to_do: str


PROBLEMS: dict[str, Problem] = {
    "malformed": Problem(
        "The request cannot be read",
        "The body or the query is not what its format asks for, so nothing of it was looked at.",
        "Check that the body is valid JSON and that the Content-Type header says so.",
    ),
    "invalid": Problem(
        "Something that was sent needs correcting",
        "The request can be read, but one or more values in it cannot be accepted.",
        "Correct each entry of errors: its pointer says where, its detail says what to do.",
    ),
    "not_signed_in": Problem(
        "Not signed in",
        "The request carries no token and no session.",
        "Send the header Authorization: Bearer followed by your token, or sign in.",
    ),
    "token_unknown": Problem(
        "Token not known",
        "No token like the one sent was ever issued here, or its owner's account is closed.",
        "Check that the whole token was copied, or have a new one issued.",
    ),
    "token_expired": Problem(
        "Token past its end date",
        "The token was valid once; its end date has passed.",
        "Have a new token issued and put it in place of the old one.",
    ),
    "token_revoked": Problem(
        "Token withdrawn",
        "Somebody withdrew this token before its end date.",
        "Ask the owner of the token why; then have a new one issued.",
    ),
    "not_allowed": Problem(
        "Not allowed",
        "You can see this, but none of your roles at its site lets you do that to it.",
        "Ask somebody whose role allows it, or the maintenance manager for the role.",
    ),
    "not_found": Problem(
        "Not found",
        "There is nothing at this address, or it belongs to a site of which you are no member.",
        "Check the address. For another site's records, ask for a membership there.",
    ),
    "method_not_allowed": Problem(
        "This address does not take that method",
        "The address exists, but not for the method that was used.",
        "Use one of the methods in the Allow header of the answer.",
    ),
    "not_acceptable": Problem(
        "Format not on offer",
        "The Accept header asks for a format that this address cannot give.",
        "Ask for application/json.",
    ),
    "unsupported_media_type": Problem(
        "Format not taken",
        "The Content-Type header names a format that this address does not read.",
        "Send application/json; for files, multipart/form-data.",
    ),
    "conflict": Problem(
        "Not possible in the present state",
        "The request is right in itself, but the record is in a state that does not permit it.",
        "Read the record again and decide anew.",
    ),
    "busy": Problem(
        "Somebody is at it right now",
        "Another request holds the same record, or the first one with this key is still running.",
        "Send the same request again after the seconds in the Retry-After header.",
    ),
    "stale": Problem(
        "Changed since you read it",
        "Somebody else changed the record after you read it; your change was not made.",
        "Read it again, look at what changed, and send your change with the new ETag.",
    ),
    "precondition_missing": Problem(
        "If-Match is missing",
        "This change must say which version of the record it was made for.",
        "Read the record and send the value of its ETag header in an If-Match header.",
    ),
    "idempotency_key_missing": Problem(
        "Idempotency-Key is missing",
        "A request that creates something must carry a key, so that sending it twice acts once.",
        "Send a header Idempotency-Key with a new UUID; repeat it only to repeat the request.",
    ),
    "idempotency_key_reused": Problem(
        "Idempotency-Key used for another request",
        "The key was used within the last 24 hours with other content.",
        "Make a new key for each new request.",
    ),
    "too_many": Problem(
        "Too many requests",
        "More requests came from you than are taken in this time.",
        "Wait the seconds in the Retry-After header.",
    ),
    "too_large": Problem(
        "Too large",
        "What was sent is larger than this address takes.",
        "Send it in smaller parts.",
    ),
    "server_error": Problem(
        "Something failed on our side",
        "The request was stopped by a fault of Wearbook; nothing of it was kept.",
        "Send it again later. If it fails again, tell whoever runs this server the time of day.",
    ),
}
"""Code -> what its page says. Apps may add their own codes in AppConfig.ready()."""

ConstraintFault = tuple[str, str, str]
CONSTRAINTS: dict[str, ConstraintFault] = {}
"""Constraint name -> (code, sentence, field); each app adds its own in AppConfig.ready().

So nobody has to look before inserting: the database decides, and its refusal becomes a sentence.
"""

_BY_STATUS = {
    400: "malformed",
    401: "not_signed_in",
    403: "not_allowed",
    404: "not_found",
    405: "method_not_allowed",
    406: "not_acceptable",
    409: "conflict",
    412: "stale",
    413: "too_large",
    415: "unsupported_media_type",
    422: "invalid",
    428: "precondition_missing",
    429: "too_many",
    500: "server_error",
}

# unique_violation, exclusion_violation, foreign_key_violation: right by itself, taken already.
_CONFLICTING = frozenset({"23505", "23P01", "23503"})
# lock_not_available, deadlock_detected, serialization_failure: gone when tried again.
_PASSING = frozenset({"55P03", "40P01", "40001"})


class Busy(Conflict):
    """Nothing is wrong: the same request will do a moment later."""

    code = "busy"
    headers: ClassVar[Mapping[str, str]] = {"Retry-After": "2"}


def exception_handler(exc: Exception, context: Mapping[str, Any]) -> HttpResponseBase | None:
    """DRF's EXCEPTION_HANDLER. None for what is our own fault: Django logs it and answers 500."""
    request: HttpRequest | None = context.get("request")
    response = _respond(exc, request.path if request is not None else "")
    if response is not None:
        set_rollback()
    return response


def _respond(exc: Exception, path: str) -> HttpResponse | None:
    fault = fault_of(exc)
    if fault is not None:
        return problem_response(fault, path)
    if isinstance(exc, Http404):
        exc = exceptions.NotFound("There is nothing here that you can see.")
    elif isinstance(exc, DjangoPermissionDenied):
        exc = exceptions.PermissionDenied()
    if isinstance(exc, exceptions.ValidationError):
        return _problem(422, "invalid", path, list(_flatten(exc.detail)))
    if isinstance(exc, exceptions.APIException):
        return _from_drf(exc, path)
    if isinstance(exc, RequestDataTooBig):
        return _problem(413, "too_large", path, [])
    if isinstance(exc, MultiPartParserError):
        return _problem(400, "malformed", path, [])
    return None


def _from_drf(exc: exceptions.APIException, path: str) -> HttpResponse:
    detail = exc.detail
    code = getattr(detail, "code", "")
    if code not in PROBLEMS:
        code = _BY_STATUS.get(exc.status_code, "malformed")
    response = _problem(exc.status_code, code, path, [("", code, str(detail))])
    if authenticate := getattr(exc, "auth_header", None):
        response["WWW-Authenticate"] = authenticate
    if wait := getattr(exc, "wait", None):
        response["Retry-After"] = str(int(wait))
    return response


def fault_of(exc: Exception) -> Fault | None:
    """The fault behind an exception: itself, a refusal of the database, or a passing lock.

    None when the exception is nobody's to correct but ours, such as an unregistered constraint.
    """
    if isinstance(exc, Fault):
        return exc
    if isinstance(exc, ProtectedError):
        return Conflict(
            "Other records still refer to this one. Keep it, or remove those first.",
            code="still_referred_to",
        )
    cause = exc.__cause__
    sqlstate = getattr(cause, "sqlstate", None)
    if isinstance(exc, IntegrityError):
        name = getattr(getattr(cause, "diag", None), "constraint_name", None) or ""
        if name not in CONSTRAINTS:
            return None
        code, sentence, field = CONSTRAINTS[name]
        kind = Conflict if sqlstate in _CONFLICTING else Fault
        return kind(sentence, field=field, code=code)
    if isinstance(exc, OperationalError) and sqlstate in _PASSING:
        return Busy("Somebody is working on the same record. Send the same request again.")
    return None


def problem_response(fault: Fault, path: str) -> HttpResponse:
    """The answer to one fault or several. A fault may carry `headers` of its own."""
    errors = [(pointer_of(f.field), f.code, f.detail) for f in fault.each()]
    statuses = {f.status for f in fault.each()} or {fault.status}
    # Several kinds at once: 422 says "correct what is listed", whatever each would be alone.
    status = statuses.pop() if len(statuses) == 1 else 422
    response = _problem(status, _kind_of(fault, status), path, errors)
    for name, value in getattr(fault, "headers", {}).items():
        response[name] = value
    return response


def _kind_of(fault: Fault, status: int) -> str:
    codes = {f.code for f in fault.each()}
    if len(codes) == 1 and (code := codes.pop()) in PROBLEMS:
        return code
    # A code of one service, such as "illegal_move": its page is the one of its family.
    return _BY_STATUS.get(status, "invalid")


def pointer_of(field: str) -> str:
    """Dotted path -> JSON Pointer: "rows.0.side" -> "/rows/0/side", "" -> ""."""
    return "".join("/" + _escape(part) for part in field.split(".")) if field else ""


def _escape(part: str) -> str:
    return part.replace("~", "~0").replace("/", "~1")


def _flatten(detail: Any, pointer: str = "") -> Iterator[tuple[str, str, str]]:
    """All errors of a DRF ValidationError as (pointer, code, sentence)."""
    if isinstance(detail, Mapping):
        for key, inner in detail.items():
            at_parent = key == api_settings.NON_FIELD_ERRORS_KEY
            yield from _flatten(inner, pointer if at_parent else f"{pointer}/{_escape(str(key))}")
    elif isinstance(detail, (list, tuple)):
        for index, inner in enumerate(detail):
            # A list of rows has a place for each row; a list of sentences is about one value.
            is_row = isinstance(inner, (Mapping, list, tuple))
            yield from _flatten(inner, f"{pointer}/{index}" if is_row else pointer)
    else:
        yield pointer, getattr(detail, "code", "invalid"), str(detail)


def _problem(
    status: int, code: str, path: str, errors: Sequence[tuple[str, str, str]]
) -> HttpResponse:
    about = PROBLEMS[code]
    if len(errors) == 1:
        detail = errors[0][2]
    elif errors:
        detail = f"{len(errors)} things need correcting: " + " ".join(e[2] for e in errors)
    else:
        detail = about.means
    return JsonResponse(
        {
            "type": f"/problems/{code}",
            "title": about.title,
            "status": status,
            "detail": detail,
            "instance": path,
            "errors": [{"pointer": p, "code": c, "detail": d} for p, c, d in errors],
        },
        status=status,
        content_type=CONTENT_TYPE,
    )


def problem_page(request: HttpRequest, code: str) -> HttpResponse:
    """GET /problems/<code>: what a problem means and what to do; open to everybody."""
    if code not in PROBLEMS:
        raise Http404
    return render(request, "fleet/problem.html", {"code": code, "problem": PROBLEMS[code]})


def _is_api(request: HttpRequest) -> bool:
    return request.path.startswith("/api/")


def handler400(request: HttpRequest, exception: Exception) -> HttpResponse:
    if not _is_api(request):
        return defaults.bad_request(request, exception)
    return _problem(400, "malformed", request.path, [])


def handler403(request: HttpRequest, exception: Exception) -> HttpResponse:
    if not _is_api(request):
        return defaults.permission_denied(request, exception)
    return _problem(403, "not_allowed", request.path, [])


def handler404(request: HttpRequest, exception: Exception) -> HttpResponse:
    if not _is_api(request):
        return defaults.page_not_found(request, exception)
    return _problem(404, "not_found", request.path, [])


def handler500(request: HttpRequest) -> HttpResponse:
    if not _is_api(request):
        return defaults.server_error(request)
    return _problem(HTTPStatus.INTERNAL_SERVER_ERROR, "server_error", request.path, [])
