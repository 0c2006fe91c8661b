"""A POST that is sent twice: replay, rival, other body, failed work."""

from __future__ import annotations

import threading
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test import RequestFactory
from django.utils import timezone
from rest_framework import status
from rest_framework.parsers import JSONParser, MultiPartParser
from rest_framework.response import Response
from rest_framework.test import APIRequestFactory, force_authenticate
from rest_framework.views import APIView

from fleet.faults import Fault
from fleet.models import Site, User
from fleet.plumbing import idempotency, tasks
from fleet.plumbing.idempotency import Answer, IdempotentCreateMixin, KeyBusy, once
from fleet.plumbing.models import IdempotencyKey
from tests.plumbing.conftest import make_user

pytestmark = pytest.mark.django_db(transaction=True)


class SitesView(IdempotentCreateMixin, APIView):
    parser_classes = [JSONParser, MultiPartParser]

    def get(self, request: Any) -> Response:
        return Response([])

    def post(self, request: Any) -> Response:
        site = Site.objects.create(code=request.data["code"], name=request.data["code"])
        if site.code == "refused":
            raise Fault("Choose another code.", field="code")
        if site.code == "answered":
            return Response({"no": True}, status=status.HTTP_409_CONFLICT)
        return Response(
            {"id": site.pk}, status=201, headers={"ETag": f'"{site.pk}-1"', "Location": "/x"}
        )


def post(user: User, data: Any, key: str | None = "k-1", **extra: Any) -> Any:
    headers = {} if key is None else {"Idempotency-Key": key}
    request = APIRequestFactory().post("/api/v1/sites", data, headers=headers, **extra)
    force_authenticate(request, user)
    response = SitesView.as_view()(request)
    if hasattr(response, "render"):
        response.render()
    return response


def test_the_second_answer_is_the_first_one_again() -> None:
    user = make_user("ada")
    first, second = post(user, {"code": "a"}), post(user, {"code": "a"})
    assert (first.status_code, second.status_code) == (201, 201)
    assert second.content == first.content
    for name in ("ETag", "Location", "Content-Type"):
        assert second[name] == first[name]
    assert "Idempotent-Replay" not in first
    assert second["Idempotent-Replay"] == "true"
    assert Site.objects.count() == 1


def test_the_same_key_of_another_person_is_another_key() -> None:
    post(make_user("ada"), {"code": "a"})
    assert post(make_user("bo"), {"code": "b"}).status_code == 201
    assert Site.objects.count() == 2


@pytest.mark.parametrize("key", [None, "", "has space", "x" * 201, "é"])
def test_a_missing_or_unusable_key_is_refused_with_what_to_send(key: str | None) -> None:
    response = post(make_user("ada"), {"code": "a"}, key)
    assert response.status_code == 400
    assert b"/problems/idempotency_key_missing" in response.content
    assert b"such as a UUID" in response.content
    assert not Site.objects.exists()


def test_reading_needs_no_key() -> None:
    request = APIRequestFactory().get("/api/v1/sites")
    force_authenticate(request, make_user("ada"))
    assert SitesView.as_view()(request).status_code == 200


def test_the_same_key_with_another_body_is_refused() -> None:
    user = make_user("ada")
    post(user, {"code": "a"})
    response = post(user, {"code": "b"})
    assert response.status_code == 422
    assert b"/problems/idempotency_key_reused" in response.content
    assert Site.objects.count() == 1


@pytest.mark.parametrize(("code", "status_code"), [("refused", 422), ("answered", 409)])
def test_failed_work_leaves_neither_rows_nor_key(code: str, status_code: int) -> None:
    user = make_user("ada")
    assert post(user, {"code": code}).status_code == status_code
    assert not Site.objects.exists()
    assert not IdempotencyKey.objects.exists()
    assert post(user, {"code": "good"}).status_code == 201  # the key is free again


def test_a_file_sent_again_is_the_same_request_whatever_its_boundary() -> None:
    user = make_user("ada")

    def send(content: bytes, boundary: str) -> Any:
        body = (
            f'--{boundary}\r\nContent-Disposition: form-data; name="code"\r\n\r\na\r\n'
            f'--{boundary}\r\nContent-Disposition: form-data; name="f"; filename="f.jpg"\r\n'
            f"Content-Type: image/jpeg\r\n\r\n{content.decode()}\r\n--{boundary}--\r\n"
        ).encode()
        return post(user, body, content_type=f"multipart/form-data; boundary={boundary}")

    assert send(b"photo", "one").status_code == 201
    assert send(b"photo", "two")["Idempotent-Replay"] == "true"
    assert send(b"other", "two").status_code == 422


@pytest.mark.parametrize(
    ("body", "content_type", "expected"),
    [
        (b"x" * 101, "application/json", 413),
        (b"x", "multipart/form-data", 400),  # no boundary
        (b"{", "application/json", 400),
    ],
)
def test_what_cannot_be_read_is_a_problem_and_leaves_no_key(
    settings: Any, body: bytes, content_type: str, expected: int
) -> None:
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 100
    response = post(make_user("ada"), body, content_type=content_type)
    assert response.status_code == expected
    assert response["Content-Type"] == "application/problem+json"
    assert not IdempotencyKey.objects.exists()


def test_the_hash_of_a_form_is_of_no_use_without_the_key_of_the_server(settings: Any) -> None:
    # A form may hold a password; all the rest of it can be guessed.
    first = form_sha256(username="greta", password="nine-wet-lanterns")
    settings.SECRET_KEY = "another"
    assert form_sha256(username="greta", password="nine-wet-lanterns") != first


def test_a_hashed_file_can_still_be_read_from_its_start() -> None:
    request = APIRequestFactory().post(
        "/x", {"f": SimpleUploadedFile("f.jpg", b"photo")}, format="multipart"
    )
    idempotency.request_sha256(request)
    assert request.FILES["f"].read() == b"photo"


def form_sha256(**fields: Any) -> str:
    return idempotency.request_sha256(RequestFactory().post("/x", fields))


def test_a_form_sent_again_is_the_same_request_whatever_its_masked_csrf_token() -> None:
    first = form_sha256(name="a", csrfmiddlewaretoken="one")
    assert form_sha256(name="a", csrfmiddlewaretoken="two") == first
    assert form_sha256(name="b", csrfmiddlewaretoken="one") != first


def test_the_same_letters_in_other_fields_are_another_request() -> None:
    assert form_sha256(ab="c") != form_sha256(a="bc")
    assert form_sha256(a=["b", "c"]) != form_sha256(a="bc")


def rival_of(user: User, results: list[Any]) -> threading.Thread:
    def work() -> None:
        try:
            results.append(once(user, "k", "a" * 64, lambda: Answer(500, {}, b"ran twice")))
        except KeyBusy as exc:
            results.append(exc)
        finally:
            connection.close()

    return threading.Thread(target=work)


def waiting_on_a_lock() -> int:
    with connection.cursor() as cursor:
        # Without this, a transaction sees the activity of its first look again and again.
        cursor.execute("SELECT pg_stat_clear_snapshot()")
        cursor.execute(
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() "
            "AND wait_event_type = 'Lock'"
        )
        return int(cursor.fetchone()[0])


def run_with_rival(user: User, rival: threading.Thread, until: Any) -> tuple[Answer, bool]:
    def work() -> Answer:
        rival.start()
        until()
        return Answer(201, {"Location": "/x"}, b"made")

    result = once(user, "k", "a" * 64, work)
    rival.join(timeout=20)
    return result


def test_a_rival_waits_for_the_first_and_replays_its_answer() -> None:
    user = make_user("ada")
    results: list[Any] = []

    def until() -> None:
        for _ in range(500):
            if waiting_on_a_lock() == 1:
                return
            threading.Event().wait(0.01)
        pytest.fail("the rival never waited")

    first = run_with_rival(user, rival_of(user, results), until)
    answer = Answer(201, {"Location": "/x"}, b"made")
    assert first == (answer, False)
    assert results == [(answer, True)]


def test_a_rival_that_waits_too_long_gets_409_and_when_to_come_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(idempotency, "LOCK_TIMEOUT_MS", 100)
    user = make_user("ada")
    results: list[Any] = []
    rival = rival_of(user, results)
    first = run_with_rival(user, rival, lambda: rival.join(timeout=20))
    assert first[1] is False
    assert [type(result) for result in results] == [KeyBusy]
    assert results[0].status == 409
    assert results[0].headers == {"Retry-After": "2"}


def test_old_keys_are_forgotten_and_young_ones_kept() -> None:
    user = make_user("ada")
    now = timezone.now()
    for n, age_h in enumerate((25, 24.1, 23.9, 0)):
        IdempotencyKey.objects.create(
            user=user,
            key=str(n),
            request_sha256="0" * 64,
            status=201,
            created_at=now - timedelta(hours=age_h),
        )
    assert [tasks.forget_old_keys(), tasks.forget_old_keys()] == [2, 0]
    assert sorted(IdempotencyKey.objects.values_list("key", flat=True)) == ["2", "3"]


def test_forgetting_goes_in_bounded_batches(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(idempotency, "FORGET_BATCH", 2)
    monkeypatch.setattr(idempotency, "FORGET_BATCHES_PER_RUN", 2)
    user = make_user("ada")
    old = timezone.now() - timedelta(days=2)
    IdempotencyKey.objects.bulk_create(
        IdempotencyKey(user=user, key=str(n), request_sha256="0" * 64, status=201, created_at=old)
        for n in range(5)
    )
    assert [idempotency.forget_old_keys(), idempotency.forget_old_keys()] == [4, 1]
