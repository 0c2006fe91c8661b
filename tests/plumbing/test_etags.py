from __future__ import annotations

import json
from types import SimpleNamespace
from typing import Any

import pytest
from django.http import HttpResponse
from django.test import RequestFactory

from fleet.plumbing.etags import PreconditionMissing, StaleTag, require_match, with_etag
from fleet.plumbing.problems import exception_handler

ROW: Any = SimpleNamespace(pk=17, version=3)


def request(if_match: str | None) -> Any:
    headers = {} if if_match is None else {"If-Match": if_match}
    return RequestFactory().patch("/api/v1/pumps/17", headers=headers)


@pytest.mark.parametrize("sent", ['"17-3"', '"17-2", "17-3"', "*"])
def test_the_present_tag_lets_the_change_through(sent: str) -> None:
    assert require_match(request(sent), ROW) == 3


# Weak tags and bare words never match: RFC 9110 section 13.1.1.
@pytest.mark.parametrize("sent", ['"17-2"', 'W/"17-3"', "17-3", '"18-3"'])
def test_any_other_tag_is_stale_and_the_answer_holds_the_present_one(sent: str) -> None:
    with pytest.raises(StaleTag) as caught:
        require_match(request(sent), ROW)
    response: Any = exception_handler(caught.value, {"request": request(sent)})
    assert (response.status_code, response["ETag"]) == (412, '"17-3"')
    assert json.loads(response.content)["type"] == "/problems/stale"


@pytest.mark.parametrize("sent", [None, "", " "])
def test_without_a_tag_the_change_is_not_made(sent: str | None) -> None:
    with pytest.raises(PreconditionMissing) as caught:
        require_match(request(sent), ROW)
    response: Any = exception_handler(caught.value, {"request": request(sent)})
    assert response.status_code == 428
    assert json.loads(response.content)["type"] == "/problems/precondition_missing"


def test_an_answer_carries_its_tag() -> None:
    assert with_etag(HttpResponse(), ROW)["ETag"] == '"17-3"'
