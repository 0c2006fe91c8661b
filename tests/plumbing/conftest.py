from __future__ import annotations

from collections.abc import Iterator

import pytest

from fleet.models import Membership, Site, User
from fleet.plumbing import outbox
from fleet.roles import Role


def make_user(username: str, **fields: object) -> User:
    return User.objects.create(username=username, full_name=username.title(), **fields)


def make_site(code: str = "quarry-north") -> Site:
    return Site.objects.create(code=code, name=code.replace("-", " ").title())


def join(user: User, site: Site, role: Role = Role.TECHNICIAN) -> Membership:
    return Membership.objects.create(user=user, site=site, role=role.value)


@pytest.fixture
def no_subscriptions(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Only the handlers of the test itself."""
    monkeypatch.setattr(outbox, "_subscriptions", {})
    return
