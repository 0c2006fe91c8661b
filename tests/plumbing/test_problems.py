"""problem+json (RFC 9457) with JSON Pointers (RFC 6901) for every kind of refusal."""

from __future__ import annotations

import json
from typing import Any

import pytest
from django.contrib.auth.models import AnonymousUser
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, connection, transaction
from django.db.models import ProtectedError
from django.http import Http404
from django.test import RequestFactory
from rest_framework import exceptions, serializers
from rest_framework.response import Response
from rest_framework.test import APIRequestFactory
from rest_framework.views import APIView

from fleet.faults import Conflict, Fault, Faults, NotAllowed, Stale
from fleet.models import Site
from fleet.plumbing import problems
from fleet.plumbing.problems import PROBLEMS, exception_handler, pointer_of
from tests.plumbing.conftest import make_site


def answer(exc: Exception) -> tuple[Any, dict[str, Any]]:
    request = RequestFactory().post("/api/v1/pumps")
    response: Any = exception_handler(exc, {"request": request})
    assert response["Content-Type"] == "application/problem+json"
    return response, json.loads(response.content)


def pointers(body: dict[str, Any]) -> list[tuple[str, str]]:
    return [(error["pointer"], error["code"]) for error in body["errors"]]


# RFC 6901 section 3 and 5: "~" is written ~0, "/" is written ~1, the whole document is "".
@pytest.mark.parametrize(
    ("field", "pointer"),
    [("", ""), ("a", "/a"), ("rows.0.side", "/rows/0/side"), ("a/b.m~n", "/a~1b/m~0n")],
)
def test_dotted_path_to_json_pointer(field: str, pointer: str) -> None:
    assert pointer_of(field) == pointer


def test_one_fault_says_all_that_rfc_9457_asks_for() -> None:
    response, body = answer(Fault("Give the clearance in mm.", field="rows.0.side"))
    assert response.status_code == 422
    assert body == {
        "type": "/problems/invalid",
        "title": "Something that was sent needs correcting",
        "status": 422,
        "detail": "Give the clearance in mm.",
        "instance": "/api/v1/pumps",
        "errors": [
            {"pointer": "/rows/0/side", "code": "invalid", "detail": "Give the clearance in mm."}
        ],
    }


def test_several_faults_are_all_told() -> None:
    faults = Faults([Fault("One.", field="a", code="x"), Fault("Two.", field="b.1")])
    response, body = answer(faults.at("rows"))
    assert (response.status_code, body["type"]) == (422, "/problems/invalid")
    assert pointers(body) == [("/rows/a", "x"), ("/rows/b/1", "invalid")]
    assert body["detail"] == "2 things need correcting: One. Two."


@pytest.mark.parametrize(
    ("fault", "status", "kind"),
    [
        (Conflict("No.", code="illegal_move"), 409, "conflict"),
        (NotAllowed("No."), 403, "not_allowed"),
        (Stale("No."), 412, "stale"),
        (Faults([NotAllowed("No."), Conflict("No.")]), 422, "invalid"),
    ],
)
def test_a_fault_keeps_its_status_and_finds_the_page_of_its_family(
    fault: Fault, status: int, kind: str
) -> None:
    response, body = answer(fault)
    assert (response.status_code, body["type"]) == (status, f"/problems/{kind}")
    assert [e["code"] for e in body["errors"]] == [f.code for f in fault.each()]


class Row(serializers.Serializer[Any]):
    side = serializers.DecimalField(max_digits=6, decimal_places=3)
    marks = serializers.ListField(child=serializers.IntegerField(), required=False)

    def validate(self, attrs: Any) -> Any:
        if attrs["side"] < 0:
            raise serializers.ValidationError("Negative.", code="negative")
        return attrs


class Sheet(serializers.Serializer[Any]):
    serial = serializers.CharField()
    rows = Row(many=True)


def test_every_nested_error_of_a_serializer_has_its_pointer() -> None:
    sheet = Sheet(
        data={"rows": [{"side": "1"}, {"side": "x", "marks": [1, "b", 3, "d"]}, {"side": "-1"}]}
    )
    with pytest.raises(exceptions.ValidationError) as caught:
        sheet.is_valid(raise_exception=True)
    response, body = answer(caught.value)
    assert (response.status_code, body["type"]) == (422, "/problems/invalid")
    assert sorted(pointers(body)) == [
        ("/rows/1/marks/1", "invalid"),
        ("/rows/1/marks/3", "invalid"),
        ("/rows/1/side", "invalid"),
        ("/rows/2", "negative"),
        ("/serial", "required"),
    ]


def test_a_list_as_the_whole_body_has_its_rows_in_the_pointers() -> None:
    rows = Row(data=[{"side": "1"}, {"side": "x"}], many=True)
    with pytest.raises(exceptions.ValidationError) as caught:
        rows.is_valid(raise_exception=True)
    assert pointers(answer(caught.value)[1]) == [("/1/side", "invalid")]
    by_hand = exceptions.ValidationError([{}, {"side": ["No."]}])
    assert pointers(answer(by_hand)[1]) == [("/1/side", "invalid")]


def test_a_sentence_without_a_field_is_about_the_whole() -> None:
    _, body = answer(exceptions.ValidationError("Nothing fits."))
    assert pointers(body) == [("", "invalid")]


@pytest.mark.parametrize(
    ("exc", "status", "kind"),
    [
        (exceptions.ParseError(), 400, "malformed"),
        (exceptions.NotAuthenticated(), 401, "not_signed_in"),
        (exceptions.AuthenticationFailed(code="token_expired"), 401, "token_expired"),
        (exceptions.PermissionDenied(), 403, "not_allowed"),
        (PermissionDenied(), 403, "not_allowed"),
        (exceptions.NotFound(), 404, "not_found"),
        (Http404("No Pump matches the given query."), 404, "not_found"),
        (exceptions.MethodNotAllowed("PUT"), 405, "method_not_allowed"),
        (exceptions.NotAcceptable(), 406, "not_acceptable"),
        (exceptions.UnsupportedMediaType("text/csv"), 415, "unsupported_media_type"),
        (exceptions.Throttled(wait=7.2), 429, "too_many"),
    ],
)
def test_what_the_framework_refuses_is_a_problem_too(
    exc: Exception, status: int, kind: str
) -> None:
    response, body = answer(exc)
    assert (response.status_code, body["status"], body["type"]) == (
        status,
        status,
        f"/problems/{kind}",
    )
    assert b"matches the given query" not in response.content


def test_a_throttled_sender_is_told_when_to_come_back() -> None:
    # Rounded up: one second too early would only be refused again.
    assert answer(exceptions.Throttled(wait=7.2))[0]["Retry-After"] == "8"


@pytest.mark.django_db
def test_a_registered_constraint_becomes_its_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    make_site("harbour-yard")
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        Site.objects.create(code="harbour-yard", name="Other")
    cause: Any = caught.value.__cause__
    name = cause.diag.constraint_name
    monkeypatch.setitem(problems.CONSTRAINTS, name, ("code_taken", "Choose another code.", "code"))
    response, body = answer(caught.value)
    assert (response.status_code, body["type"]) == (409, "/problems/conflict")
    assert body["errors"] == [
        {"pointer": "/code", "code": "code_taken", "detail": "Choose another code."}
    ]


@pytest.mark.django_db
def test_an_unregistered_constraint_is_our_own_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(problems, "CONSTRAINTS", {})
    make_site("harbour-yard")
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        Site.objects.create(code="harbour-yard", name="Other")
    assert exception_handler(caught.value, {"request": RequestFactory().get("/")}) is None


def test_a_record_that_others_refer_to_is_a_conflict() -> None:
    _, body = answer(ProtectedError("protected", set()))
    assert pointers(body) == [("", "still_referred_to")]


@pytest.mark.django_db
def test_a_refusal_undoes_a_request_that_is_one_transaction(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(connection.settings_dict, "ATOMIC_REQUESTS", True)
    with transaction.atomic():
        make_site("harbour-yard")
        answer(Fault("No."))
    assert not Site.objects.exists()


def test_anything_else_is_left_to_django() -> None:
    assert exception_handler(ZeroDivisionError(), {"request": RequestFactory().get("/")}) is None


@pytest.mark.parametrize(
    ("handler", "args", "status", "kind"),
    [
        (problems.handler400, (Exception("inner words"),), 400, "malformed"),
        (problems.handler403, (Exception("inner words"),), 403, "not_allowed"),
        (problems.handler404, (Exception("inner words"),), 404, "not_found"),
        (problems.handler500, (), 500, "server_error"),
    ],
)
def test_below_api_even_djangos_own_pages_are_problems(
    handler: Any, args: tuple[Any, ...], status: int, kind: str
) -> None:
    response = handler(RequestFactory().get("/api/v1/nowhere"), *args)
    body = json.loads(response.content)
    assert (response.status_code, body["type"]) == (status, f"/problems/{kind}")
    assert "inner words" not in response.content.decode()
    page = handler(RequestFactory().get("/nowhere"), *args)
    assert page.status_code == status
    assert page["Content-Type"].startswith("text/html")


def test_malformed_json_through_a_real_view() -> None:
    class Echo(APIView):
        authentication_classes: list[Any] = []
        permission_classes: list[Any] = []

        def post(self, request: Any) -> Response:
            return Response(request.data)

    request = APIRequestFactory().post("/api/v1/echo", "{", content_type="application/json")
    response = Echo.as_view()(request)
    assert response.status_code == 400
    assert json.loads(response.content)["type"] == "/problems/malformed"


@pytest.mark.parametrize("code", sorted(PROBLEMS))
def test_every_problem_has_a_page_that_says_what_to_do(code: str) -> None:
    request = RequestFactory().get(f"/problems/{code}")
    request.user = AnonymousUser()
    page = problems.problem_page(request, code).content.decode()
    assert f"<h1>{PROBLEMS[code].title}</h1>" in page
    assert PROBLEMS[code].to_do.replace("'", "&#x27;") in page


def test_an_unknown_problem_has_none() -> None:
    with pytest.raises(Http404):
        problems.problem_page(RequestFactory().get("/problems/x"), "x")
