"""Three people stand ready: a member with the role, a member without it, an outsider."""

from __future__ import annotations

from typing import Any

import pytest
from django.contrib.auth.models import AnonymousUser
from django.http import HttpResponse
from django.test import RequestFactory
from django.views.generic import ListView
from rest_framework import serializers, viewsets
from rest_framework.test import APIRequestFactory, force_authenticate

from fleet.models import Membership, Site, User
from fleet.plumbing.scoping import ScopedRelatedField, SiteScopedMixin, SiteScopedViewSet
from fleet.roles import Capability, Role
from tests.plumbing.conftest import join, make_site, make_user

pytestmark = pytest.mark.django_db


class Scene:
    def __init__(self) -> None:
        self.here, self.there = make_site("quarry-north"), make_site("harbour-yard")
        self.supervisor, self.technician = make_user("sue"), make_user("ted")
        self.outsider = make_user("otto")
        join(self.supervisor, self.here, Role.SUPERVISOR)
        join(self.technician, self.here, Role.TECHNICIAN)
        join(self.outsider, self.there, Role.SUPERVISOR)


@pytest.fixture
def scene() -> Scene:
    return Scene()


def test_members_see_the_rows_of_their_sites_and_no_others(scene: Scene) -> None:
    assert list(Site.objects.all().visible_to(scene.technician)) == [scene.here]
    assert list(Site.objects.all().visible_to(scene.outsider)) == [scene.there]
    people = Membership.objects.all().visible_to(scene.technician).values_list("user__username")
    assert sorted(people) == [("sue",), ("ted",)]


def test_two_roles_at_one_site_do_not_double_the_rows(scene: Scene) -> None:
    join(scene.technician, scene.here, Role.STORES_CLERK)
    assert list(Site.objects.all().visible_to(scene.technician)) == [scene.here]


def test_acting_takes_the_capability_at_that_very_site(scene: Scene) -> None:
    countersign = Capability.COUNTERSIGN
    assert list(Site.objects.all().actable_by(scene.supervisor, countersign)) == [scene.here]
    assert not Site.objects.all().actable_by(scene.technician, countersign).exists()
    # A role elsewhere lends nothing here.
    join(scene.technician, scene.there, Role.SUPERVISOR)
    assert list(Site.objects.all().actable_by(scene.technician, countersign)) == [scene.there]


@pytest.mark.parametrize("superuser", [True, False])
def test_nobody_sees_without_a_membership_not_even_a_superuser(
    scene: Scene, superuser: bool
) -> None:
    user = make_user("root", is_superuser=superuser)
    assert not Site.objects.all().visible_to(user).exists()


def test_closed_accounts_and_strangers_see_nothing(scene: Scene) -> None:
    scene.supervisor.is_active = False
    for user in (scene.supervisor, AnonymousUser()):
        assert not Site.objects.all().visible_to(user).exists()
        assert not Site.objects.all().actable_by(user, Capability.COUNTERSIGN).exists()


class SiteSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()


class SiteViewSet(SiteScopedViewSet, viewsets.ReadOnlyModelViewSet[Any]):
    scoped_queryset = Site.objects.all()
    serializer_class = SiteSerializer
    filter_backends: list[Any] = []


def api_get(user: User, pk: int | None = None) -> Any:
    request = APIRequestFactory().get("/api/v1/sites")
    force_authenticate(request, user)
    if pk is None:
        return SiteViewSet.as_view({"get": "list"})(request)
    return SiteViewSet.as_view({"get": "retrieve"})(request, pk=pk)


def test_an_api_view_answers_404_for_what_is_not_seen(scene: Scene) -> None:
    assert api_get(scene.technician, scene.here.pk).data == {"id": scene.here.pk}
    assert api_get(scene.outsider, scene.here.pk).status_code == 404
    assert [row["id"] for row in api_get(scene.outsider).data["results"]] == [scene.there.pk]


def test_one_requests_rows_are_not_kept_for_the_next(scene: Scene) -> None:
    api_get(scene.technician)
    late = make_site("forest-mill")
    join(scene.technician, late)
    ids = [row["id"] for row in api_get(scene.technician).data["results"]]
    assert ids == [late.pk, scene.here.pk]


class SitePage(SiteScopedMixin, ListView):
    scoped_queryset = Site.objects.all()

    def render_to_response(self, context: Any, **kwargs: Any) -> HttpResponse:
        return HttpResponse(",".join(site.code for site in context["object_list"]))


def page_get(user: Any) -> Any:
    request = RequestFactory().get("/sites/?x=1")
    request.user = user
    return SitePage.as_view()(request)


def test_a_page_lists_what_its_reader_sees(scene: Scene) -> None:
    assert page_get(scene.technician).content == b"quarry-north"
    assert page_get(scene.outsider).content == b"harbour-yard"


def test_a_page_sends_strangers_to_sign_in_and_back(settings: Any) -> None:
    settings.LOGIN_URL = "/in/"
    response = page_get(AnonymousUser())
    assert response.status_code == 302
    assert response["Location"] == "/in/?next=/sites/%3Fx%3D1"


class Wanted(serializers.Serializer[Any]):
    site = ScopedRelatedField(queryset=Site.objects.all())


def test_an_id_of_another_site_in_a_body_is_as_unknown_as_none_at_all(scene: Scene) -> None:
    request = RequestFactory().post("/")
    request.user = scene.technician
    sentences = []
    for pk in (scene.there.pk, 999_999):
        wanted = Wanted(data={"site": pk}, context={"request": request})
        assert not wanted.is_valid()
        sentences.append(str(wanted.errors["site"][0]).replace(str(pk), "N"))
    assert sentences[0] == sentences[1]
    fine = Wanted(data={"site": scene.here.pk}, context={"request": request})
    assert fine.is_valid()
    assert fine.validated_data == {"site": scene.here}


def test_a_reference_without_a_request_finds_nothing(scene: Scene) -> None:
    assert not Wanted(data={"site": scene.here.pk}).is_valid()
