"""A POST that may be sent twice and acts once.

One transaction holds the key, the work and the stored answer, so a key is never stuck half-done:
a failure rolls all three back and the sender may simply try again. A rival with the same key
waits on the unique index and then gets the stored answer.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any, ClassVar

from django.conf import settings
from django.db import OperationalError, connection, transaction
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from rest_framework.request import Request

from fleet.faults import Conflict, Fault
from fleet.plumbing.locks import Lock, try_xact_lock
from fleet.plumbing.models import IdempotencyKey

HEADER = "Idempotency-Key"
REPLAY_HEADER = "Idempotent-Replay"
KEEP_FOR = timedelta(hours=24)
LOCK_TIMEOUT_MS = 5000
FORGET_BATCH = 1000
FORGET_BATCHES_PER_RUN = 20

_KEY = re.compile(r"[!-~]{1,200}")
_KEPT_HEADERS = ("Content-Type", "Location", "ETag", "Content-Location", "Content-Disposition")


class KeyMissing(Fault):
    status = 400
    code = "idempotency_key_missing"


class KeyReused(Fault):
    code = "idempotency_key_reused"


class KeyBusy(Conflict):
    code = "busy"
    headers: ClassVar[Mapping[str, str]] = {"Retry-After": "2"}


@dataclass(frozen=True)
class Answer:
    """What was answered: enough to give the same answer again, byte for byte."""

    status: int
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""

    @classmethod
    def of(cls, response: HttpResponse) -> Answer:
        kept = {name: response[name] for name in _KEPT_HEADERS if name in response}
        return cls(response.status_code, kept, response.content)

    def response(self) -> HttpResponse:
        """The stored answer, marked as a replay."""
        response = HttpResponse(self.body, status=self.status)
        del response["Content-Type"]
        for name, value in self.headers.items():
            response[name] = value
        response[REPLAY_HEADER] = "true"
        return response


def once(
    user: Any, key: str, request_sha256: str, work: Callable[[], Answer]
) -> tuple[Answer, bool]:
    """Does the work under the user's key, or returns what it answered the first time.

    Returns (answer, replayed). The work runs in the transaction of the key; whatever it raises
    undoes both. Raises KeyReused (same key, other request) and KeyBusy (a rival takes too long).
    """
    try:
        with transaction.atomic():
            with connection.cursor() as cursor:
                # Also bounds the waits of the work itself: better a 409 than a hanging client.
                cursor.execute(f"SET LOCAL lock_timeout = {LOCK_TIMEOUT_MS}")
            row, created = IdempotencyKey.objects.get_or_create(
                user=user, key=key, defaults={"request_sha256": request_sha256}
            )
            if not created:
                return _stored(row, request_sha256), True
            answer = work()
            row.status, row.headers, row.body = answer.status, dict(answer.headers), answer.body
            row.save(update_fields=["status", "headers", "body"])
            return answer, False
    except OperationalError as exc:
        if getattr(exc.__cause__, "sqlstate", None) == "55P03":  # lock_not_available
            raise KeyBusy(
                "The first request with this key, or somebody working on the same record, is not "
                "finished. Send the same request again in 2 seconds."
            ) from exc
        raise


def _stored(row: IdempotencyKey, request_sha256: str) -> Answer:
    if row.request_sha256 != request_sha256 or row.status is None:
        raise KeyReused(
            f"This {HEADER} was used for another request. Make a new key for each new request, "
            "and repeat a key only with exactly the same content."
        )
    return Answer(row.status, row.headers, bytes(row.body))


def request_sha256(request: HttpRequest) -> str:
    """HMAC-SHA-256 (hex) of method, path and content.

    Forms are hashed by their fields and files: the boundary of a multipart body and the masked
    CSRF token differ each time although the same is sent.
    """
    # Keyed: a form may hold a password, which a plain hash of all the rest would let be guessed.
    digest = hmac.new(settings.SECRET_KEY.encode(), digestmod="sha256")
    for part in (request.method or "", request.get_full_path()):
        _add(digest, part.encode())
    if request.content_type in ("multipart/form-data", "application/x-www-form-urlencoded"):
        for name, values in sorted(request.POST.lists()):
            if name != "csrfmiddlewaretoken":
                _add(digest, name.encode(), *(value.encode() for value in values))
        for name, files in sorted(request.FILES.lists()):
            for upload in files:
                content = hashlib.sha256()
                for chunk in upload.chunks():
                    content.update(chunk)
                upload.seek(0)
                _add(digest, name.encode(), (upload.name or "").encode(), content.digest())
    else:
        _add(digest, request.body)
    return digest.hexdigest()


def _add(digest: Any, *parts: bytes) -> None:
    # Each part with its length: "ab","c" and "a","bc" must not be the same request.
    for part in parts:
        digest.update(len(part).to_bytes(8, "big"))
        digest.update(part)


def key_of(request: HttpRequest | Request) -> str:
    """The request's key. Raises KeyMissing when there is none, or none that can be stored."""
    key = request.headers.get(HEADER, "")
    if not _KEY.fullmatch(key):
        raise KeyMissing(
            f"Send the header {HEADER} with a value of your own that is new for each request, "
            "such as a UUID: 1 to 200 visible ASCII characters. Repeat it when you send the same "
            "request again."
        )
    return key


class _NotStored(Exception):
    """Carries a refusal out of the transaction, which undoes what was begun."""

    def __init__(self, response: HttpResponse) -> None:
        super().__init__()
        self.response = response


class IdempotentCreateMixin:
    """First of the bases of an API view: each of its POSTs needs a key and acts once.

    The stored answer is looked up before the view's own code, hence before If-Match is judged: a
    repeated request that succeeded the first time must not get 412.
    """

    request: Any
    post: Any

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)  # type: ignore[misc]
        # Only now is the sender known and allowed in; DRF looks the handler up after this.
        if request.method == "POST" and hasattr(self, "post"):
            handler = self.post
            self.post = lambda *a, **k: self._post_once(handler, *a, **k)

    def _post_once(
        self, handler: Callable[..., HttpResponse], request: Request, *args: Any, **kwargs: Any
    ) -> HttpResponse:
        responses: list[HttpResponse] = []

        def work() -> Answer:
            response = handler(request, *args, **kwargs)
            response = self.finalize_response(request, response, *args, **kwargs)  # type: ignore[attr-defined]
            if hasattr(response, "render"):
                response.render()
            if response.status_code >= 400:
                raise _NotStored(response)
            responses.append(response)
            return Answer.of(response)

        key = key_of(request)
        # The raw request: hashing must not depend on the view's parsers.
        sha256 = request_sha256(request._request)  # noqa: SLF001
        try:
            answer, replayed = once(request.user, key, sha256, work)
        except _NotStored as refused:
            return refused.response
        return answer.response() if replayed else responses[0]


def forget_old_keys() -> int:
    """Deletes keys older than KEEP_FOR in small batches; returns how many."""
    before = timezone.now() - KEEP_FOR
    total = 0
    for _ in range(FORGET_BATCHES_PER_RUN):
        with transaction.atomic():
            if not try_xact_lock(Lock.FORGET_KEYS):
                return total
            old: Iterable[int] = list(
                IdempotencyKey.objects.filter(created_at__lt=before)
                .order_by("created_at")
                .values_list("pk", flat=True)[:FORGET_BATCH]
            )
            deleted, _by_model = IdempotencyKey.objects.filter(pk__in=old).delete()
        total += deleted
        if deleted < FORGET_BATCH:
            break
    return total
