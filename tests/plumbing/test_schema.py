"""The OpenAPI 3.1 document: no warnings, and what every operation must declare."""

from __future__ import annotations

from typing import Any

import pytest
from django.urls import path
from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema
from rest_framework import mixins, permissions, serializers, viewsets

from fleet.models import Site
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.pagination import NewestFirst
from fleet.plumbing.scoping import ScopedRelatedField, SiteScopedViewSet


class PlaceSerializer(serializers.Serializer[Any]):
    name = serializers.CharField()
    beside = ScopedRelatedField(queryset=Site.objects.all(), allow_null=True)


class PlaceViewSet(
    IdempotentCreateMixin,
    SiteScopedViewSet,
    mixins.CreateModelMixin,
    mixins.UpdateModelMixin,
    mixins.ListModelMixin,
    viewsets.GenericViewSet[Any],
):
    scoped_queryset = Site.objects.all()
    serializer_class = PlaceSerializer
    pagination_class = NewestFirst
    filter_backends: list[Any] = []
    needs_if_match = ("partial_update",)


class OpenViewSet(mixins.ListModelMixin, viewsets.GenericViewSet[Any]):
    permission_classes = [permissions.AllowAny]
    serializer_class = PlaceSerializer
    queryset = Site.objects.all()
    filter_backends: list[Any] = []


@pytest.fixture
def document() -> dict[str, Any]:
    patterns = [
        path("places", PlaceViewSet.as_view({"get": "list", "post": "create"})),
        path("places/<int:pk>", PlaceViewSet.as_view({"patch": "partial_update"})),
        path("open", OpenViewSet.as_view({"get": "list"})),
    ]
    GENERATOR_STATS.reset()
    generated: dict[str, Any] = SchemaGenerator(patterns=patterns).get_schema(
        request=None, public=True
    )
    return generated


def header(operation: dict[str, Any], name: str) -> bool:
    return any(
        p["name"] == name and p["in"] == "header" and p["required"]
        for p in operation.get("parameters", [])
    )


def test_it_is_valid_openapi_3_1_without_a_warning(document: dict[str, Any]) -> None:
    validate_schema(document)
    assert document["openapi"].startswith("3.1")
    assert not GENERATOR_STATS._warn_cache
    assert not GENERATOR_STATS._error_cache


def test_only_creating_asks_for_an_idempotency_key(document: dict[str, Any]) -> None:
    assert header(document["paths"]["/places"]["post"], "Idempotency-Key")
    assert not header(document["paths"]["/places"]["get"], "Idempotency-Key")
    assert not header(document["paths"]["/places/{id}"]["patch"], "Idempotency-Key")


def test_only_declared_changes_ask_for_if_match(document: dict[str, Any]) -> None:
    assert header(document["paths"]["/places/{id}"]["patch"], "If-Match")
    assert not header(document["paths"]["/places"]["post"], "If-Match")


@pytest.mark.parametrize(
    ("where", "method", "statuses"),
    [
        ("/places", "get", ["200", "400", "401", "403"]),
        ("/places", "post", ["201", "400", "401", "403", "409", "422"]),
        ("/places/{id}", "patch", ["200", "400", "401", "403", "404", "409", "412", "422", "428"]),
        ("/open", "get", ["200", "400"]),
    ],
)
def test_every_operation_declares_its_problems(
    document: dict[str, Any], where: str, method: str, statuses: list[str]
) -> None:
    responses = document["paths"][where][method]["responses"]
    assert sorted(responses) == statuses
    for status in statuses[1:]:
        assert responses[status]["content"] == {
            "application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}
        }


def test_the_token_is_a_declared_way_of_signing_in(document: dict[str, Any]) -> None:
    assert document["components"]["securitySchemes"]["token"]["scheme"] == "bearer"
    assert {"token": []} in document["paths"]["/places"]["post"]["security"]
