from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import time_machine
from rest_framework.response import Response
from rest_framework.test import APIRequestFactory
from rest_framework.views import APIView

from fleet.faults import Faults
from fleet.plumbing.authentication import TokenAuthentication, issue_token, revoke_token
from fleet.plumbing.models import ApiToken
from tests.plumbing.conftest import make_user

pytestmark = pytest.mark.django_db

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
END = NOON + timedelta(days=30)


class WhoView(APIView):
    authentication_classes = [TokenAuthentication]

    def get(self, request: Any) -> Response:
        return Response({"user": request.user.username, "token": request.auth.pk})


def get(authorization: str | None) -> Any:
    headers = {} if authorization is None else {"Authorization": authorization}
    response = WhoView.as_view()(APIRequestFactory().get("/api/v1/who", headers=headers))
    if hasattr(response, "render"):
        response.render()
    return response


def kind(response: Any) -> tuple[int, str]:
    return response.status_code, json.loads(response.content)["type"]


@time_machine.travel(NOON, tick=False)
def test_the_plain_token_is_shown_once_and_only_its_hash_is_kept() -> None:
    token, plain = issue_token(user=make_user("ada"), name=" press ", expires_at=END)
    row = ApiToken.objects.get()
    assert plain.startswith("wb_")
    assert len(plain) == 46  # 3 and 32 bytes in base64url
    assert row.sha256 == hashlib.sha256(plain.encode()).hexdigest()
    assert (row.name, row.prefix, row.expires_at, row.last_used_at) == (
        "press",
        plain[:8],
        END,
        None,
    )
    assert plain not in str(vars(token))


def test_a_token_lives_from_issue_to_its_end_date() -> None:
    user = make_user("ada")
    with time_machine.travel(NOON, tick=False):
        token, plain = issue_token(user=user, name="press", expires_at=END)
    with time_machine.travel(END - timedelta(seconds=1), tick=False):
        response = get(f"Bearer {plain}")
        assert response.data == {"user": "ada", "token": token.pk}
    with time_machine.travel(END, tick=False):
        response = get(f"Bearer {plain}")
        assert kind(response) == (401, "/problems/token_expired")
        assert b"ended on 13 Apr 2026" in response.content
        assert response["WWW-Authenticate"] == 'Bearer realm="Wearbook"'


@time_machine.travel(NOON, tick=False)
def test_a_withdrawn_token_is_refused_with_that_reason() -> None:
    token, plain = issue_token(user=make_user("ada"), name="press", expires_at=END)
    revoke_token(token=token)
    response = get(f"Bearer {plain}")
    assert kind(response) == (401, "/problems/token_revoked")
    assert b"withdrawn on 14 Mar 2026" in response.content


@time_machine.travel(NOON, tick=False)
def test_a_token_of_a_closed_account_is_not_known() -> None:
    user = make_user("ada")
    _, plain = issue_token(user=user, name="press", expires_at=END)
    user.is_active = False
    user.save()
    assert kind(get(f"Bearer {plain}")) == (401, "/problems/token_unknown")


@pytest.mark.parametrize("sent", ["Bearer", "Bearer wb_a b", "Bearer wb_nobody", "bearer x"])
def test_what_is_no_token_is_not_known(sent: str) -> None:
    assert kind(get(sent)) == (401, "/problems/token_unknown")


@pytest.mark.parametrize("sent", [None, "Basic YTpi"])
def test_without_a_token_nobody_is_signed_in(sent: str | None) -> None:
    assert kind(get(sent)) == (401, "/problems/not_signed_in")


def test_use_is_noted_at_most_once_a_minute() -> None:
    user = make_user("ada")
    with time_machine.travel(NOON, tick=False):
        _, plain = issue_token(user=user, name="press", expires_at=END)
        get(f"Bearer {plain}")
    for seconds, noted in ((59, 0), (61, 61), (100, 61)):
        with time_machine.travel(NOON + timedelta(seconds=seconds), tick=False):
            get(f"Bearer {plain}")
        assert ApiToken.objects.get().last_used_at == NOON + timedelta(seconds=noted)


@time_machine.travel(NOON, tick=False)
def test_all_faults_of_a_new_token_are_told_at_once() -> None:
    with pytest.raises(Faults) as caught:
        issue_token(user=make_user("ada"), name=" ", expires_at=NOON)
    assert [fault.field for fault in caught.value.each()] == ["name", "expires_at"]
    assert not ApiToken.objects.exists()
