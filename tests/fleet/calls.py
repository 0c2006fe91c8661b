"""What the tests of the fleet's API share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile

from fleet.models import User
from tests.fleet.conftest import Api, People

MakeApi = Callable[[User | None], Api]

GOOD_FILE = b"tag,maker,designation,serial,machine\n"


def refused(response: Any, status: int, kind: str) -> list[tuple[str, str]]:
    """Checks the frame of a problem; returns the (pointer, code) pairs of its errors."""
    assert response.status_code == status, response.content
    assert response["Content-Type"] == "application/problem+json"
    problem = response.json()
    assert (problem["type"], problem["status"]) == (f"/problems/{kind}", status)
    return [(error["pointer"], error["code"]) for error in problem["errors"]]


def upload(client: Api, people: People, content: bytes, name: str = "pumps.csv") -> Any:
    file = SimpleUploadedFile(name, content)
    return client.upload("imports", {"site": people.north.pk, "kind": "pumps", "file": file})
