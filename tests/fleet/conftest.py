"""Two sites and the people who stand ready in every test of the fleet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import count
from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.models import Pump, Site, User
from fleet.roles import Role
from tests import factories


@dataclass(frozen=True)
class People:
    """North is where things happen; the outsider runs the harbour and sees nothing of it."""

    north: Site
    harbour: Site
    manager: User
    supervisor: User
    technician: User
    auditor: User
    outsider: User


@pytest.fixture
def people(db: None) -> People:
    north = factories.make_site("quarry-north", "Quarry North")
    harbour = factories.make_site("harbour-yard", "Harbour Yard")
    return People(
        north=north,
        harbour=harbour,
        manager=factories.manager_of(north),
        supervisor=factories.make_person(north, Role.SUPERVISOR),
        technician=factories.make_person(north, Role.TECHNICIAN),
        auditor=factories.make_person(north, Role.AUDITOR),
        outsider=factories.manager_of(harbour),
    )


class Api:
    """A client that speaks for one person and makes a new Idempotency-Key for each POST."""

    _keys = count(1)

    def __init__(self, user: User | None) -> None:
        self.client = APIClient()
        if user is not None:
            self.client.force_authenticate(user)

    def get(self, path: str, **params: Any) -> Any:
        return self.client.get(f"/api/v1/{path}", params)

    def post(self, path: str, data: Any = None, **headers: str) -> Any:
        headers.setdefault("Idempotency-Key", f"key-{next(self._keys)}")
        return self.client.post(f"/api/v1/{path}", data or {}, format="json", headers=headers)

    def upload(self, path: str, data: dict[str, Any], **headers: str) -> Any:
        headers.setdefault("Idempotency-Key", f"key-{next(self._keys)}")
        return self.client.post(f"/api/v1/{path}", data, format="multipart", headers=headers)

    def patch(self, path: str, data: Any, **headers: str) -> Any:
        return self.client.patch(f"/api/v1/{path}", data, format="json", headers=headers)

    def put(self, path: str, data: Any, **headers: str) -> Any:
        return self.client.put(f"/api/v1/{path}", data, format="json", headers=headers)

    def delete(self, path: str) -> Any:
        return self.client.delete(f"/api/v1/{path}")


@pytest.fixture
def pump(people: People) -> Pump:
    return factories.make_pump(people.north, factories.make_model(), tag="HP-1")


@pytest.fixture
def api() -> Callable[[User | None], Api]:
    return Api
