"""Nobody sees or changes on the pages what belongs to a site of which they are no member.

Walks the URL resolver: a page without an entry in tests/web/page_routes.py fails here.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

import pytest
from django.db import transaction
from django.test import Client
from django.urls import reverse

from fleet.models import Pump, User
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import ROLE_MAY, Capability, Role
from fleet.web.pages import SharedPage
from tests import factories
from tests.isolation_kinds import Route, Seen, class_of, methods_of, routes_below
from tests.isolation_world import (
    NOWHERE,
    World,
    all_roles_at,
    changed,
    content_of,
    database,
    kept_for_a_module,
    make_world,
    person_with,
    without_role,
)
from tests.web.page_routes import PAGES

C = Capability
# They say the same to everybody, signed in or not.
OPEN_NAMES = {
    "healthz": "for whatever watches the server",
    "api-docs": "how to use the API",
    "fleet:sign-in": "where one signs in",
    "fleet:sign-out": "ends one's own session",
    "fleet:problem": "what a kind of problem means",
}
# Pages without scoping of their own, each with the reason why it shows nothing of another site.
UNSCOPED = {
    "ApiDocs": "the description of the API",
    "SignIn": "before anybody is known",
    "SignOut": "one's own session",
    "BoardPage": "its selector scopes by the viewer",
    "PullLists": "its selector scopes by the viewer",
    "Register": "its selector scopes by the viewer",
    "RegisterFile": "its selector scopes by the viewer",
    "PumpAdd": "its form offers the sites where one keeps the register",
    "Receive": "its form offers the stores that one keeps",
    "Correct": "its form offers the stores that one keeps",
    "Scrap": "its form offers the stores that one keeps",
    "Imports": "its form offers, and its list shows, one's own sites",
    "ImportTemplate": "names of columns",
    "RolesTable": "names of roles",
    "LeakPaths": "of a pump model, which is of all sites; it asks for a role itself",
    "Tokens": "one's own tokens",
    "TokenRevoke": "one's own tokens",
    "SiteAdd": "a new site",
    "ModelAdd": "models belong to all sites",
    "ModelEdit": "models belong to all sites",
    "ModelsFile": "models belong to all sites",
    "SheetsFile": "limit sheets belong to all sites",
    "SheetAdd": "limit sheets belong to all sites",
    "SheetIssue": "limit sheets belong to all sites",
    "SheetRuleChoice": "limit sheets belong to all sites",
    "SheetRevise": "limit sheets belong to all sites",
    "LineEdit": "limit sheets belong to all sites",
    "LineRemove": "limit sheets belong to all sites",
    "PartAdd": "the catalogue belongs to all sites",
    "PartEdit": "the catalogue belongs to all sites",
    "KitContents": "the catalogue belongs to all sites",
    "FitAdd": "the catalogue belongs to all sites",
    "FitRemove": "the catalogue belongs to all sites",
    "Supersede": "the catalogue belongs to all sites",
    "SupersedeTakeBack": "the catalogue belongs to all sites",
    "AlternativeAdd": "the catalogue belongs to all sites",
    "AlternativeRemove": "the catalogue belongs to all sites",
    "BeginAgeing": "the catalogue belongs to all sites",
    "KitOpen": "the catalogue belongs to all sites, and its form offers one's own stores",
    "SupplierAdd": "suppliers belong to all sites",
    "SupplierEdit": "suppliers belong to all sites",
    "SupplierWebhook": "suppliers belong to all sites",
    "OfferAdd": "suppliers belong to all sites",
    "OfferEdit": "suppliers belong to all sites",
    "OfferPrefer": "suppliers belong to all sites",
    "OfferRemove": "suppliers belong to all sites",
    "OrderAdd": "its form offers the stores that one buys for",
    "CountRaise": "takes a store that its form scopes",
    "StockValueFile": "narrows the stores to the person's sites itself",
    "Costs": "narrows the repairs to the person's sites itself",
    "CostsFile": "narrows the repairs to the person's sites itself",
    "RateAdd": "exchange rates belong to all sites",
}
SHARED_PAGES = {
    "Catalogue",
    "JudgedAgain",
    "Models",
    "OneModel",
    "OfModel",
    "OnePart",
    "OneSheet",
    "Rates",
    "Suppliers",
    "OneSupplier",
}

# Their rows are sites and stores, and only these names stand there.
NAMED_BY_SITE = ("inspections:instrument-add", "parts:value")

# Lists of stores and parts, which others may have as well: asked for by a part's number below.
UNMARKED = ("fleet:tokens", "parts:stock", "parts:holdings")


class Two:
    """Two sites with everything; the outsider may do all that there is, at the other one only."""

    def __init__(self, media: str) -> None:
        self.here, self.there = make_world("Ash"), make_world("Birch")
        there = self.there
        self.outsider = all_roles_at(there.site, there.second, there.storeless)
        self.insider = all_roles_at(self.here.site, self.here.second, self.here.storeless)
        self.auditor = person_with(Role.AUDITOR, self.here)
        self.nobody = without_role(self.here)
        self.media = media


@pytest.fixture(scope="module")
def built(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Two]:
    media = tmp_path_factory.mktemp("media")
    with kept_for_a_module(django_db_blocker, media):
        yield Two(str(media))


@pytest.fixture
def two(built: Two, db: None, settings: Any) -> Two:
    settings.MEDIA_ROOT = built.media
    return built


def as_user(person: User) -> Client:
    client = Client()
    client.force_login(person)
    return client


def send(client: Client, page: Route, world: World, **changed_fields: Any) -> Any:
    call = getattr(client, page.method)
    return call(page.url(world), {**page.sent(world), **changed_fields})


def undone(client: Client, page: Route, world: World) -> tuple[Any, bool]:
    """The answer, and whether a row changed; all is undone afterwards."""
    before = database()
    with transaction.atomic():
        answer = send(client, page, world)
        content_of(answer)  # a picture is a file that stays open until it was sent
        wrote = bool(changed(before))
        transaction.set_rollback(True)
    return answer, wrote


# --- The table is whole -------------------------------------------------------------------------


def pages() -> Iterator[tuple[str, Any]]:
    for name, path, callback in routes_below(""):
        if not path.startswith("api/v1/"):
            yield name, callback


def test_every_page_is_in_the_table() -> None:
    found = {
        (name, method)
        for name, callback in pages()
        if name not in OPEN_NAMES
        for method in methods_of(callback)
    }
    known = {(page.name, page.method) for page in PAGES}
    assert found == known, (
        f"not tried by anybody: {sorted(found - known)}; gone: {sorted(known - found)}"
    )
    assert {name for name, _callback in pages()} >= set(OPEN_NAMES)


def test_a_page_of_site_rows_is_scoped_or_says_why_not() -> None:
    views = {class_of(callback) for _name, callback in pages()} - {None}
    assert {view.__name__ for view in views if issubclass(view, SharedPage)} == SHARED_PAGES
    either = (SiteScopedMixin, SharedPage)
    assert {view.__name__ for view in views if not issubclass(view, either)} == set(UNSCOPED)
    for view in views:
        if issubclass(view, SiteScopedMixin):
            assert hasattr(view.scoped_queryset, "visible_to"), view
            # Or who is not signed in would pass by the mixin's question.
            assert "dispatch" not in vars(view), view


# --- Somebody of another site -------------------------------------------------------------------


def expected_outside(page: Route) -> int:
    if page.seen is Seen.BODY:
        return 422
    return 404 if page.seen is Seen.HIDDEN or (page.seen is Seen.OWN and page.path) else 200


def test_an_outsider_finds_nothing_and_changes_nothing(two: Two) -> None:
    client = as_user(two.outsider)
    before = database()
    wrong: list[str] = []
    for page in PAGES:
        if page.method == "post" and page.seen is Seen.SHARED:
            continue  # what belongs to all sites may be kept by a role at any
        if page.method == "post" and page.seen is Seen.OWN and not page.path:
            continue
        answer = send(client, page, two.here)
        if answer.status_code != expected_outside(page):
            wrong.append(f"{page}: {answer.status_code}")
        if marks := two.here.marks_in(content_of(answer)):
            wrong.append(f"{page} shows {marks}")
        if tables := changed(before):
            wrong.append(f"{page} changed {tables}")
    assert not wrong, "\n".join(wrong)


def test_the_same_lists_do_show_a_site_to_its_own_people(two: Two) -> None:
    # Or the test above could pass because nothing is ever shown.
    client = as_user(two.insider)
    for page in PAGES:
        if page.seen is Seen.LIST and page.name not in UNMARKED:
            shown = content_of(send(client, page, two.here))
            own = two.here.site.name if page.name in NAMED_BY_SITE else None
            assert own in shown if own else two.here.marks_in(shown), page
    for name in ("parts:stock", "parts:holdings"):
        assert two.here.part.number in content_of(client.get(reverse(name)))
    mine = as_user(two.here.technician).get(reverse("fleet:tokens"))
    assert two.here.token.name in content_of(mine)


def test_pages_narrowed_to_another_site_are_empty(two: Two) -> None:
    client, here = as_user(two.outsider), two.here
    for name, query in (
        ("parts:board", {"site": here.site.pk, "show": "bench"}),
        ("fleet:pumps", {"site": here.site.pk}),
        ("fleet:pumps", {"tag": here.pump.tag[:3]}),
        ("inspections:list", {"site": here.site.pk}),
        ("parts:pull-lists", {"done": "yes"}),
        ("parts:stock", {"q": here.part.number}),
        ("parts:orders", {"store": here.store.pk}),
        ("parts:orders", {"show": "sent"}),
        ("parts:costs", {"site": here.site.pk}),
    ):
        answer = client.get(f"{reverse(name)}?{urlencode(query)}")
        assert answer.status_code == 200
        assert here.marks_in(content_of(answer)) == [], (name, query)
    for name in ("parts:stock", "parts:counts", "parts:value", "parts:holdings"):
        assert client.get(f"{reverse(name)}?store={here.store.pk}").status_code == 404
    file = client.get(reverse("parts:value-file", args=["csv"]), {"store": here.store.pk})
    assert content_of(file).count("\n") == 1, "the column names and no row"
    # What htmx asks for is a part of the same page, and scoped like it.
    rows = client.get(
        reverse("fleet:pumps"), {"site": here.site.pk}, headers={"HX-Request": "true"}
    )
    assert here.marks_in(content_of(rows)) == []


def test_ids_of_another_site_in_a_form_are_refused_like_ids_that_do_not_exist(two: Two) -> None:
    client = as_user(two.outsider)
    before = database()
    wrong: list[str] = []
    tried = 0
    for page in PAGES:
        for field, name in page.foreign.items():
            got = []
            for foreign in (two.here.id_of(name), NOWHERE):
                answer = send(client, page, two.there, **{field: foreign})
                found = answer.context and answer.context.get("form")
                got.append((answer.status_code, dict(found.errors) if found else {}))
                if marks := two.here.marks_in(content_of(answer)):
                    wrong.append(f"{page}, {field} shows {marks}")
            tried += 1
            if got[0] != got[1] or got[0][0] not in (404, 422):
                wrong.append(f"{page}, {field}: {got}")
            if tables := changed(before):
                wrong.append(f"{page}, {field} changed {tables}")
    assert not wrong, "\n".join(wrong)
    assert tried >= 12


def test_a_check_of_another_model_is_not_found(two: Two) -> None:
    address = reverse("inspections:check", args=[two.there.open.pk, two.here.line.pk])
    assert as_user(two.outsider).get(address).status_code == 404


def test_a_pump_that_moves_shows_its_new_site_no_inspection_of_the_old(two: Two) -> None:
    # Past the service, which moves no pump that is on the bench or waits for parts.
    moved = (two.here.open, two.here.signed)
    Pump.objects.filter(pk__in=[old.pump_id for old in moved]).update(site=two.there.site)
    client = as_user(two.outsider)
    for old in moved:
        report = reverse("inspections:report", args=[old.pk])
        assert client.get(report).status_code == 404
        for name in ("fleet:pump", "parts:of-pump", "inspections:open"):
            answer = client.get(reverse(name, args=[old.pump_id]))
            assert answer.status_code == 200
            shown = content_of(answer)
            secrets = (two.here.open.complaint, two.here.part.number, f"/inspections/{old.pk}/")
            assert [secret for secret in secrets if secret in shown] == [], name


# --- Nobody in particular -----------------------------------------------------------------------


def test_who_is_not_signed_in_is_sent_to_sign_in(two: Two) -> None:
    wrong: list[str] = []
    closed = as_user(two.here.technician)
    User.objects.filter(pk=two.here.technician.pk).update(is_active=False)
    before = database()
    for client in (Client(), closed):
        for page in PAGES:
            answer = send(client, page, two.here)
            asked = page.url(two.here)
            if page.method == "get" and page.body is not None:
                asked += "?" + urlencode(page.sent(two.here))
            to = f"{reverse('fleet:sign-in')}?{urlencode({'next': asked}, safe='/')}"
            if (answer.status_code, answer.headers.get("Location")) != (302, to):
                wrong.append(f"{page}: {answer.status_code} {answer.headers.get('Location')}")
    assert not wrong, "\n".join(wrong)
    assert changed(before) == []


def test_what_is_open_to_everybody_is_the_same_for_everybody(two: Two) -> None:
    for path in ("/healthz", "/api/", "/problems/not_found", "/sign-in/"):
        answer = Client().get(path)
        assert answer.status_code == 200
        shown = content_of(answer)
        assert two.here.marks_in(shown) == []
        assert two.here.site.name not in shown


def test_an_account_without_any_role_gets_nothing(two: Two) -> None:
    client = as_user(two.nobody)
    before = database()
    wrong: list[str] = []
    for page in PAGES:
        if page.seen is Seen.OPEN or (page.seen is Seen.OWN and not page.path):
            continue
        answer = send(client, page, two.here)
        usual = {
            Seen.HIDDEN: (404,),
            Seen.OWN: (404,),
            Seen.SHARED: (403,),
            # The form has no site to offer, or is not even shown.
            Seen.BODY: (403, 422),
            Seen.LIST: (403,) if page.needs else (200,),
        }[page.seen]
        text = content_of(answer)
        if answer.status_code not in usual or two.here.marks_in(text) or two.here.site.name in text:
            wrong.append(f"{page}: {answer.status_code}")
        if tables := changed(before):
            wrong.append(f"{page} changed {tables}")
    assert not wrong, "\n".join(wrong)


# --- Roles --------------------------------------------------------------------------------------

# A POST that changes nothing of the site's own is no write of it.
OWN_AFFAIRS = {"fleet:tokens", "fleet:token-revoke"}


def test_an_auditor_reads_and_sends_nothing(two: Two) -> None:
    client = as_user(two.auditor)
    wrong: list[str] = []
    for page in PAGES:
        if page.name in OWN_AFFAIRS:
            continue
        answer, wrote = undone(client, page, two.here)
        reads = page.method == "get" and page.needs <= ROLE_MAY[Role.AUDITOR]
        if (answer.status_code, wrote) != (200 if reads else 403, False):
            wrong.append(f"{page}: {answer.status_code}, wrote: {wrote}")
    assert not wrong, "\n".join(wrong)


def test_the_same_forms_do_work_for_who_has_the_roles(two: Two) -> None:
    # Or the test above could pass because the forms are filled in wrongly.
    client = as_user(two.insider)
    wrong: list[str] = []
    for page in PAGES:
        if page.name in OWN_AFFAIRS or (page.method == "get" and not page.needs):
            continue  # what anybody of the site may open was opened above
        answer, wrote = undone(client, page, two.here)
        good = (200, False) if page.method == "get" else (302, True)
        if (answer.status_code, wrote) != good:
            found = answer.context and answer.context.get("form")
            wrong.append(f"{page}: {answer.status_code}, {wrote} {found.errors if found else ''}")
    assert not wrong, "\n".join(wrong)


# Page, what stands on it for whoever may, and what it takes.
OFFERED: tuple[tuple[tuple[str, ...], str, Capability], ...] = (
    (("fleet:pump", "pump"), "fleet:pump-hours pump", C.RECORD_HOURS),
    (("fleet:pump", "pump"), "fleet:pump-edit pump", C.KEEP_REGISTER),
    (("fleet:pump", "pump"), "fleet:pump-status pump", C.KEEP_REGISTER),
    (("fleet:pump", "pump"), "fleet:pump-move pump", C.MOVE_PUMPS),
    (("fleet:pump", "pump"), "inspections:open pump", C.INSPECT),
    (("fleet:pumps",), "fleet:pump-add", C.KEEP_REGISTER),
    (("fleet:pumps",), "fleet:pumps-file csv", C.EXPORT),
    (("fleet:models",), "fleet:model-add", C.KEEP_REGISTER),
    (("fleet:sheet", "draft_sheet"), "fleet:line-add draft_sheet", C.DRAFT_LIMITS),
    (("fleet:sheet", "draft_sheet"), "fleet:sheet-issue draft_sheet", C.ISSUE_LIMITS),
    (("fleet:people",), "fleet:person-add site", C.KEEP_PEOPLE),
    (("fleet:people",), "fleet:role-revoke membership", C.KEEP_PEOPLE),
    (("fleet:sheet", "sheet"), "fleet:sheet-rule sheet", C.ISSUE_LIMITS),
    (("inspections:instruments",), "inspections:instrument-add", C.KEEP_INSTRUMENTS),
    (("inspections:instrument", "instrument"), 'value="withdraw_leaf"', C.KEEP_INSTRUMENTS),
    (("inspections:instrument", "instrument"), 'value="calibrated"', C.KEEP_INSTRUMENTS),
    (("inspections:sign", "unproposed"), 'value="accept_overdue"', C.COUNTERSIGN),
    (("inspections:report", "signed"), "inspections:supersede signed", C.SUPERSEDE),
    (("inspections:check", "open", "line"), 'value="try"', C.INSPECT),
    (("inspections:check", "open", "tip_line"), 'value="waive"', C.WAIVE),
    (("inspections:component", "open", "gears"), 'value="finding"', C.INSPECT),
    (("inspections:dispositions", "open"), 'value="overrule"', C.OVERRULE),
    (("inspections:countersign", "waiting"), 'value="countersign"', C.COUNTERSIGN),
    (("parts:pull-list", "signed"), 'name="scanned_number"', C.PULL_PARTS),
    (("parts:unmatched",), "parts:unmatched-retry unmatched", C.KEEP_CATALOGUE),
    (("parts:catalogue",), "parts:part-add", C.KEEP_CATALOGUE),
    (("parts:stock",), "parts:receive", C.KEEP_STOCK),
    (("parts:suppliers",), "parts:supplier-add", C.KEEP_CATALOGUE),
    (("parts:supplier", "supplier"), "parts:offer-add supplier", C.KEEP_CATALOGUE),
    (("parts:orders",), "parts:order-add", C.BUY),
    (("parts:orders",), "parts:approval-limits store", C.KEEP_PEOPLE),
    (("parts:order", "order_draft"), 'value="submit"', C.BUY),
    (("parts:order", "order_draft"), "parts:order-line line_draft", C.BUY),
    (("parts:order", "order_submitted"), 'value="approve"', C.APPROVE_ORDERS),
    (
        ("parts:order", "order_submitted"),
        "parts:order-send-back order_submitted",
        C.APPROVE_ORDERS,
    ),
    (("parts:order", "order_approved"), "parts:order-send order_approved", C.BUY),
    (("parts:order", "order_sent"), "parts:order-receive line_sent", C.KEEP_STOCK),
    (("parts:order", "order_sent"), "parts:order-give-up line_sent", C.BUY),
    (("parts:order", "order_sent"), "parts:order-cancel order_sent", C.BUY),
)


def address(world: World, name: str, *path: str) -> str:
    return reverse(name, args=[world.id_of(part) for part in path])


@pytest.mark.parametrize("role", list(Role))
def test_a_page_offers_what_the_role_may_do_and_nothing_else(two: Two, role: Role) -> None:
    world = two.here
    client = as_user(factories.make_person(world.site, role))
    wrong: list[str] = []
    shown = {page: client.get(address(world, *page)) for page, _what, _takes in OFFERED}
    for page, what, takes in OFFERED:
        mark = what if "=" in what else f'"{address(world, *what.split())}'
        offered = mark in content_of(shown[page])
        if offered != (takes in ROLE_MAY[role]):
            wrong.append(f"{page[0]}, {what}: offered {offered}")
    assert not wrong, "\n".join(wrong)
