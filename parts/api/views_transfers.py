"""REST API of transfers between stores, and of the stores themselves."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db.models import Q, QuerySet
from django.urls import reverse
from django_filters import rest_framework as filters  # type: ignore[import-untyped]  # has no stubs
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, status
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet.faults import Conflict, Fault
from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.etags import require_match, with_etag
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SiteScopedViewSet
from parts import transfer_selectors
from parts.api import serializers_transfers as s
from parts.api.serializers import NewStoreSerializer
from parts.rules.lifecycle import TransferState
from parts.services import stock, stores, transfers


class TransferFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    state = filters.ChoiceFilter(choices=[(t.value, t.label) for t in TransferState])
    part = filters.NumberFilter(field_name="part_id")
    store = filters.NumberFilter(method="at_either_end", label="Id of the store at either end.")

    def at_either_end(self, rows: QuerySet[Any], name: str, value: int) -> QuerySet[Any]:
        return rows.filter(Q(from_store=value) | Q(to_store=value))


class TransferViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Parts on their way between two stores; the people of both ends see them."""

    scoped_queryset = transfer_selectors.transfers()
    serializer_class = s.TransferSerializer
    filterset_class = TransferFilter

    @extend_schema(responses=s.TransferDetailSerializer)
    def retrieve(self, request: Request, pk: str) -> Response:
        return self._answer()

    @extend_schema(request=s.AskTransferSerializer, responses={201: s.TransferDetailSerializer})
    def create(self, request: Request) -> Response:
        """Asks another site for parts, which are reserved there at once."""
        body = parsed(s.AskTransferSerializer, request)
        giver = transfer_selectors.store_that_holds(body["part"], body.pop("from_site_name"))
        if giver is None:
            raise Conflict(
                "That site has none of this part free. Look at the part's holders, and ask one.",
                field="from_site_name",
                code="not_enough_stock",
            )
        row = transfers.ask_transfer(actor=actor_of(request), from_store=giver, **body)
        response = _shown(row, status.HTTP_201_CREATED)
        response["Location"] = reverse("transfer-detail", args=[row.pk])
        return response

    @extend_schema(request=s.SendTransferSerializer, responses=s.TransferDetailSerializer)
    @action(detail=True, methods=["post"])
    def send(self, request: Request, pk: str) -> Response:
        """The giver takes it off the shelf and puts it on its way."""
        row, body = self.get_object(), parsed(s.SendTransferSerializer, request)
        transfers.send(actor=actor_of(request), transfer=row, **body)
        return self._answer()

    @extend_schema(request=s.ReceiveTransferSerializer, responses=s.TransferDetailSerializer)
    @action(detail=True, methods=["post"])
    def receive(self, request: Request, pk: str) -> Response:
        """The receiver puts on the shelf what came; the rest is lost, with a reason."""
        row, body = self.get_object(), parsed(s.ReceiveTransferSerializer, request)
        if "received" in body:
            body["received"] = _by_batch(body["received"])
        transfers.receive(actor=actor_of(request), transfer=row, **body)
        return self._answer()

    @extend_schema(request=s.WhySerializer, responses=s.TransferDetailSerializer)
    @action(detail=True, methods=["post"])
    def refusal(self, request: Request, pk: str) -> Response:
        """The giver cannot spare it after all."""
        row, body = self.get_object(), parsed(s.WhySerializer, request)
        transfers.refuse(actor=actor_of(request), transfer=row, **body)
        return self._answer()

    @extend_schema(request=s.WhySerializer, responses=s.TransferDetailSerializer)
    @action(detail=True, methods=["post"])
    def cancellation(self, request: Request, pk: str) -> Response:
        """The receiver no longer wants what was asked for by hand."""
        row, body = self.get_object(), parsed(s.WhySerializer, request)
        transfers.cancel(actor=actor_of(request), transfer=row, **body)
        return self._answer()

    def _answer(self) -> Response:
        return _shown(self.get_object())


def _shown(row: Any, code: int = status.HTTP_200_OK) -> Response:
    row.sent = transfers.sent_lots(row)
    return with_etag(Response(s.TransferDetailSerializer(row).data, status=code), row)


def _by_batch(rows: list[dict[str, Any]]) -> dict[str, int]:
    received = {row["batch"].strip().upper(): row["quantity"] for row in rows}
    if len(received) < len(rows):
        raise Fault("Name each batch once. Add the two counts up.", field="received")
    return received


class StoreViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    scoped_queryset = transfer_selectors.stores_with_supplier()
    serializer_class = s.StoreSerializer
    needs_if_match: ClassVar = ("partial_update",)

    def retrieve(self, request: Request, pk: str) -> Response:
        return self._answer()

    @extend_schema(request=NewStoreSerializer, responses=s.StoreSerializer)
    def create(self, request: Request) -> Response:
        """The store of a site, opened if it has none yet; a site that has one keeps it."""
        store = stock.open_store(actor=actor_of(request), **parsed(NewStoreSerializer, request))
        return with_etag(Response(s.StoreSerializer(store).data), store)

    @extend_schema(request=s.StoreChangeSerializer, responses=s.StoreSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        """Settings: name and position are the clerk's, the others the manager's."""
        store = self.get_object()
        version = require_match(request, store)
        fields = parsed(s.StoreChangeSerializer, request)
        stores.change_store(actor=actor_of(request), store=store, version=version, **fields)
        return self._answer()

    def _answer(self) -> Response:
        store = self.get_object()
        return with_etag(Response(s.StoreSerializer(store).data), store)
