"""People and their roles, tokens, files in and out, the API page and what errors look like."""

from __future__ import annotations

import re
from datetime import timedelta
from decimal import Decimal

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client, override_settings
from django.utils import timezone

from fleet.models import (
    ApiToken,
    ImportDraft,
    Membership,
    Pump,
    Site,
)
from fleet.roles import ROLE_MAY, Role
from tests.factories import (
    make_model,
    make_person,
    manager_of,
)
from tests.web.client import send_file, signed_in, text_of

pytestmark = pytest.mark.django_db
D = Decimal


# --- People and tokens ------------------------------------------------------------------------


def test_a_person_is_added_given_a_role_and_loses_it(site: Site) -> None:
    client = signed_in(manager_of(site))
    sent = {
        "full_name": "Noor Fell",
        "username": "noor",
        "password": "seven-lamps-on-a-hill",
        "roles": ["technician"],
        "trainee": "on",
    }
    assert client.post(f"/sites/{site.pk}/people/add/", sent).status_code == 302
    role = {"username": "noor", "role": "stores_clerk"}
    assert client.post(f"/sites/{site.pk}/roles/add/", role).status_code == 302
    assert "technician (trainee)" in text_of(client.get("/people/"))
    membership = Membership.objects.get(user__username="noor", role="stores_clerk")
    assert client.post(f"/roles/{membership.pk}/revoke/").status_code == 302
    assert [m.role for m in Membership.objects.filter(user__username="noor")] == ["technician"]


def test_a_weak_password_is_refused_and_not_shown_again(site: Site) -> None:
    sent = {"full_name": "N", "username": "noor", "password": "12345", "roles": ["auditor"]}
    response = signed_in(manager_of(site)).post(f"/sites/{site.pk}/people/add/", sent)
    assert response.status_code == 422
    assert "password" in response.context["form"].errors
    assert "12345" not in response.content.decode()


def test_the_last_manager_stays(site: Site) -> None:
    manager = manager_of(site)
    membership = Membership.objects.get(user=manager)
    response = signed_in(manager).post(f"/roles/{membership.pk}/revoke/")
    assert response.status_code == 422
    assert "last maintenance manager" in text_of(response)
    assert Membership.objects.filter(pk=membership.pk).exists()


def test_a_supervisor_sees_people_and_changes_none(site: Site) -> None:
    client = signed_in(make_person(site, Role.SUPERVISOR))
    assert "/revoke/" not in client.get("/people/").content.decode()
    membership = Membership.objects.filter(site=site).first()
    assert membership is not None
    assert client.post(f"/roles/{membership.pk}/revoke/").status_code == 403
    assert Membership.objects.filter(pk=membership.pk).exists()


def test_the_roles_page_shows_the_table_that_decides(site: Site) -> None:
    response = signed_in(make_person(site)).get("/people/roles/")
    shown = response.content.decode().count("<td>yes</td>")
    assert shown == sum(len(may) for may in ROLE_MAY.values())


def test_a_token_is_shown_once_and_withdrawn_by_its_owner_only(site: Site) -> None:
    owner, other = make_person(site), make_person(site)
    client = signed_in(owner)
    until = (timezone.now() + timedelta(days=30)).date().isoformat()
    made = client.post("/tokens/", {"name": "Meter gateway", "expires_on": until})
    plain = made.context["issued"][1]
    assert plain in made.content.decode()
    assert made["Cache-Control"] == "private, no-store"
    assert plain not in client.get("/tokens/").content.decode()
    token = ApiToken.objects.get()
    assert signed_in(other).post(f"/tokens/{token.pk}/revoke/").status_code == 404
    token.refresh_from_db()
    assert token.revoked_at is None
    client.post(f"/tokens/{token.pk}/revoke/")
    token.refresh_from_db()
    assert token.revoked_at is not None


def test_a_token_that_ended_before_it_began_is_refused(site: Site) -> None:
    sent = {"name": "Old", "expires_on": "2020-01-01"}
    response = signed_in(make_person(site)).post("/tokens/", sent)
    assert response.status_code == 422
    assert response.context["form"].errors["expires_on"] == ["Choose an end date in the future."]
    assert ApiToken.objects.count() == 0


# --- Files ------------------------------------------------------------------------------------


def test_a_good_file_is_tried_then_taken_over_once(site: Site) -> None:
    model = make_model(maker="Ostermoor", designation="G2-32")
    rows = "".join(f"P-{n},{model.maker},{model.designation},S-{n},Crane 4\n" for n in range(1, 61))
    client = signed_in(manager_of(site))
    tried = send_file(client, site, "tag,maker,designation,serial,machine\n" + rows)
    assert Pump.objects.count() == 0
    assert "All 60 rows are good." in text_of(client.get(tried["Location"]))
    assert client.post(tried["Location"])["Location"] == "/pumps/"
    assert Pump.objects.count() == 60
    again = client.post(tried["Location"])
    assert again.status_code == 422
    assert Pump.objects.count() == 60


def test_every_bad_row_is_named_and_none_is_taken(site: Site) -> None:
    make_model(maker="Ostermoor", designation="G2-32")
    client = signed_in(manager_of(site))
    tried = send_file(
        client,
        site,
        "tag,maker,designation,serial,machine\n"
        "P-1,Ostermoor,G2-32,S-1,Crane 4\n"
        "P 2,Ostermoor,G2-32,S-2,Crane 4\n"
        "P-3,Ostermoor,G9-99,S-3,Crane 4\n",
    )
    page = client.get(tried["Location"])
    assert [(f.row, f.field) for f in page.context["faults"]] == [(3, "tag"), (4, "designation")]
    assert "2 rows of the file cannot be taken, 1 is good." in text_of(page)
    assert client.post(tried["Location"]).status_code == 422
    assert Pump.objects.count() == 0


def test_a_file_of_another_type_is_refused_beside_the_file(site: Site) -> None:
    upload = SimpleUploadedFile("photo.png", b"\x89PNG\x00\x00")
    response = signed_in(manager_of(site)).post(
        "/files/", {"kind": "pumps", "site": site.pk, "file": upload}
    )
    assert response.status_code == 422
    assert list(response.context["form"].errors) == ["file"]
    assert ImportDraft.objects.count() == 0


def test_a_technician_takes_no_file_over(site: Site) -> None:
    client = signed_in(make_person(site))
    assert send_file(client, site, "tag\nA\n").status_code == 403
    assert ImportDraft.objects.count() == 0


@pytest.mark.parametrize("kind", ["pumps", "models", "sheets"])
@pytest.mark.parametrize("file", ["csv", "xlsx"])
def test_templates_come_with_their_columns(kind: str, file: str, site: Site) -> None:
    client = signed_in(make_person(site))
    response = client.get(f"/files/templates/{kind}.{file}")
    assert response.status_code == 200
    if file == "csv":
        assert b"maker,designation" in response.content


# --- API page and errors ----------------------------------------------------------------------


def test_the_api_page_describes_every_operation_of_the_document() -> None:
    from fleet.web.api_docs import document, groups

    page = Client().get("/api/").content.decode()
    described = {(op.method, op.path) for _heading, ops in groups() for op in ops}
    in_document = {
        (method.upper(), path)
        for path, item in document()["paths"].items()
        for method in item
        if method in ("get", "post", "put", "patch", "delete")
    }
    assert described == in_document
    assert all(f"<code>{path}</code>" in page for _method, path in in_document)
    assert "application/problem+json" in page
    assert "Idempotency-Key: $(uuidgen)" in text_of(Client().get("/api/")).replace("&quot;", '"')


def test_nothing_of_a_page_comes_from_another_host_or_stands_inline(site: Site, pump: Pump) -> None:
    client = signed_in(manager_of(site))
    for address in ("/pumps/", f"/pumps/{pump.pk}/", "/api/", "/files/", "/sign-in/"):
        page = client.get(address, follow=True).content.decode()
        assert not re.findall(r'(?:src|href)="(?:https?:)?//', page), address
        assert not re.findall(r"<style|<script(?! src)|\sstyle=|\son[a-z]+=", page), address


def test_missing_pages_and_refusals_are_in_our_look(site: Site) -> None:
    client = signed_in(make_person(site))
    missing = client.get("/pumps/999999/")
    assert missing.status_code == 404
    assert "There is nothing here that you can see" in text_of(missing)
    refused = client.get("/pumps/add/")
    assert refused.status_code == 403
    assert "may not keep register" in text_of(refused)


def test_a_stale_form_token_is_explained(site: Site) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(make_person(site))
    response = client.post("/tokens/", {"name": "x"})
    assert response.status_code == 403
    assert "This form was too old to be taken" in text_of(response)


@override_settings(ALLOWED_HOSTS=["testserver"])
def test_a_failure_of_ours_has_a_page_without_the_database(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_args: object, **_kwargs: object) -> None:
        raise RuntimeError

    monkeypatch.setattr("fleet.selectors.pump_register", fail)
    client = signed_in(make_person(site))
    client.raise_request_exception = False
    response = client.get("/pumps/")
    assert response.status_code == 500
    assert "Something failed on our side" in text_of(response)


def test_the_navigation_offers_what_the_roles_allow(site: Site) -> None:
    def offered(role: Role) -> list[str]:
        page = signed_in(make_person(site, role)).get("/pumps/")
        return [label for _url, label, _current in page.context["nav"]]

    assert offered(Role.AUDITOR) == [
        "Board",
        "Pumps",
        "Inspections",
        "Limit sheets",
        "Stores",
        "Files",
    ]
    assert "Countersign" in offered(Role.COMPETENT_PERSON)
    assert "People" in offered(Role.MAINTENANCE_MANAGER)
