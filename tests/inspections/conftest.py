from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.db import IntegrityError, connection, transaction
from rest_framework.test import APIClient

from fleet.models import Pump, Site, User
from fleet.roles import Role
from tests import factories


@dataclass(frozen=True)
class Bench:
    """One site with a pump and its people, and somebody of another site."""

    site: Site
    pump: Pump
    technician: User
    trainee: User
    competent: User
    supervisor: User
    auditor: User
    elsewhere: Site
    outsider: User


@pytest.fixture
def bench(db: None) -> Bench:
    site = factories.make_site()
    elsewhere = factories.make_site()
    return Bench(
        site=site,
        pump=factories.make_pump(site),
        technician=factories.make_person(site, Role.TECHNICIAN),
        trainee=factories.make_person(site, Role.TECHNICIAN, trainee=True),
        competent=factories.make_person(site, Role.COMPETENT_PERSON),
        supervisor=factories.make_person(site, Role.SUPERVISOR),
        auditor=factories.make_person(site, Role.AUDITOR),
        elsewhere=elsewhere,
        outsider=factories.make_person(elsewhere, Role.SUPERVISOR),
    )


@pytest.fixture(autouse=True)
def media(settings: Any, tmp_path: Path) -> Path:
    settings.MEDIA_ROOT = tmp_path
    return tmp_path


class Client:
    """Somebody's API client: a fresh Idempotency-Key for each POST unless one is given."""

    def __init__(self, user: User) -> None:
        self.api = APIClient()
        self.api.force_authenticate(user)

    def get(self, path: str, **query: Any) -> Any:
        return self.api.get(f"/api/v1/{path}", query)

    def send(self, method: str, path: str, body: Any = None, **headers: str) -> Any:
        if method == "post":
            headers = {"Idempotency-Key": str(uuid4()), **headers}
        return getattr(self.api, method)(
            f"/api/v1/{path}", {} if body is None else body, format="json", headers=headers
        )

    def post(self, path: str, body: Any = None, **headers: str) -> Any:
        return self.send("post", path, body, **headers)

    def upload(self, path: str, body: dict[str, Any]) -> Any:
        return self.api.post(
            f"/api/v1/{path}",
            body,
            format="multipart",
            headers={"Idempotency-Key": str(uuid4())},
        )


@pytest.fixture
def as_() -> Callable[[User], Client]:
    return Client


@contextmanager
def refused_by(constraint: str) -> Iterator[None]:
    """The database itself refuses what happens inside, under this name."""
    with pytest.raises(IntegrityError) as caught, transaction.atomic():
        yield
    cause: Any = caught.value.__cause__
    assert cause.diag.constraint_name == constraint


def sql(statement: str, *parameters: Any) -> int:
    """Runs raw SQL, past all services; returns how many rows it changed."""
    with connection.cursor() as cursor:
        cursor.execute(statement, list(parameters))
        return int(cursor.rowcount)
