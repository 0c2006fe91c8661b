from __future__ import annotations

from base64 import b64encode
from typing import Any
from urllib.parse import urlencode

import pytest
from django.core.exceptions import ImproperlyConfigured
from rest_framework import generics, serializers
from rest_framework.test import APIRequestFactory

from fleet.models import Site
from fleet.plumbing.models import Event
from fleet.plumbing.pagination import NewestFirst

pytestmark = pytest.mark.django_db


class EventSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()


class EventList(generics.ListAPIView[Any]):
    authentication_classes: list[Any] = []
    permission_classes: list[Any] = []
    filter_backends: list[Any] = []
    serializer_class = EventSerializer
    pagination_class = NewestFirst
    queryset = Event.objects.all()


def get(url: str) -> Any:
    return EventList.as_view()(APIRequestFactory().get(url))


def make_events(count: int) -> list[int]:
    # All in one moment, as an import leaves them.
    moment = Event(name="x").created_at
    rows = Event.objects.bulk_create(
        Event(name="x", schema=1, payload={}, created_at=moment) for _ in range(count)
    )
    return sorted((row.pk for row in rows), reverse=True)


def walk(url: str | None) -> list[list[int]]:
    pages = []
    while url:
        data = get(url).data
        pages.append([row["id"] for row in data["results"]])
        url = data["next"]
    return pages


def test_the_pages_reach_every_row_once_newest_first() -> None:
    ids = make_events(450)
    pages = walk("/api/v1/events?page_size=200")
    assert [len(page) for page in pages] == [200, 200, 50]
    assert [pk for page in pages for pk in page] == ids


def test_fifty_a_page_by_default_and_never_more_than_two_hundred() -> None:
    make_events(201)
    assert len(get("/api/v1/events").data["results"]) == 50
    assert len(get("/api/v1/events?page_size=5000").data["results"]) == 200


def test_rows_that_arrive_meanwhile_neither_repeat_nor_hide_any() -> None:
    ids = make_events(4)
    first = get("/api/v1/events?page_size=2").data
    make_events(3)
    second = get(first["next"]).data
    assert [row["id"] for row in first["results"] + second["results"]] == ids


@pytest.mark.parametrize("inside", [None, "p=abc", "p=1.5", "p=", "o=x", "p=\xb2"])
def test_a_cursor_of_somebody_elses_making_is_a_malformed_request(inside: str | None) -> None:
    cursor = "x" if inside is None else b64encode(inside.encode()).decode()
    response = get(f"/api/v1/events?{urlencode({'cursor': cursor})}")
    assert response.status_code == 400
    assert b"/problems/malformed" in response.content


@pytest.mark.parametrize("order", ["name", "-created_at", "?"])
def test_a_view_that_orders_otherwise_is_told_at_once(order: str) -> None:
    view = EventList.as_view(queryset=Event.objects.order_by(order))
    with pytest.raises(ImproperlyConfigured, match="by -id"):
        view(APIRequestFactory().get("/api/v1/events"))


def test_the_default_order_of_a_model_does_not_matter() -> None:
    for code in ("b", "c", "a"):
        Site.objects.create(code=code, name=code)
    view = EventList.as_view(queryset=Site.objects.all())
    rows = view(APIRequestFactory().get("/api/v1/sites")).data["results"]
    assert [Site.objects.get(pk=row["id"]).code for row in rows] == ["a", "c", "b"]
