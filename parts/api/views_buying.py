"""REST API of suppliers, offers, orders and deliveries."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, ClassVar

from django.http import HttpResponse
from django.urls import reverse
from django.utils import timezone
from django_filters import rest_framework as filters  # type: ignore[import-untyped]  # has no stubs
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, status
from rest_framework.decorators import action
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet.api.exports import CsvRenderer
from fleet.exports import ExportFile
from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.etags import require_match, with_etag
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SharedViewSet, SiteScopedViewSet
from fleet.roles import Role
from parts import buying_selectors, selectors
from parts.api import serializers_buying as s
from parts.models import Supplier
from parts.order_documents import PDF_TYPE, order_csv, order_pdf
from parts.rules.lifecycle import OrderState
from parts.services import approvals, order_sending, orders, put_away, suppliers


class PdfRenderer(BaseRenderer):
    """Only tells what is on offer: the document is made as a whole."""

    media_type = PDF_TYPE
    format = "pdf"


# --- Suppliers and offers -----------------------------------------------------------------------


class SupplierViewSet(
    IdempotentCreateMixin, SharedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Suppliers, the same for all sites."""

    queryset = Supplier.objects.order_by("-id")
    serializer_class = s.SupplierSerializer
    needs_if_match: ClassVar = ("partial_update", "webhook")

    def retrieve(self, request: Request, pk: str) -> Response:
        return self._answer(self.get_object())

    @extend_schema(request=s.NewSupplierSerializer, responses={201: s.SupplierSerializer})
    def create(self, request: Request) -> Response:
        body = parsed(s.NewSupplierSerializer, request)
        supplier = suppliers.add_supplier(actor=actor_of(request), **body)
        response = self._answer(supplier, status.HTTP_201_CREATED)
        response["Location"] = reverse("supplier-detail", args=[supplier.pk])
        return response

    @extend_schema(request=s.SupplierChangeSerializer, responses=s.SupplierSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        supplier = self.get_object()
        version = require_match(request, supplier)
        body = parsed(s.SupplierChangeSerializer, request)
        suppliers.change_supplier(
            actor=actor_of(request), supplier=supplier, version=version, **body
        )
        return self._answer(self.get_object())

    @extend_schema(request=s.WebhookSerializer, responses=s.WebhookSecretSerializer)
    @action(detail=True, methods=["put"])
    def webhook(self, request: Request, pk: str) -> Response:
        """Where orders go by themselves. Each call makes a new secret, shown here only."""
        supplier = self.get_object()
        version = require_match(request, supplier)
        url = parsed(s.WebhookSerializer, request)["webhook_url"]
        secret = suppliers.set_webhook(
            actor=actor_of(request), supplier=supplier, version=version, url=url
        )
        now = self.get_object()
        answer = {"webhook_url": now.webhook_url, "secret": secret}
        response = with_etag(Response(s.WebhookSecretSerializer(answer).data), now)
        response["Cache-Control"] = "no-store"
        return response

    def _answer(self, supplier: Supplier, code: int = 200) -> Response:
        return with_etag(Response(s.SupplierSerializer(supplier).data, status=code), supplier)


class OfferFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    supplier = filters.NumberFilter(field_name="supplier_id")
    part = filters.NumberFilter(field_name="part_id")
    preferred = filters.BooleanFilter()


class OfferViewSet(
    IdempotentCreateMixin, SharedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """What suppliers ask for parts, and how soon they deliver."""

    queryset = buying_selectors.offers().order_by("-id")
    serializer_class = s.OfferSerializer
    filterset_class = OfferFilter

    def paginate_queryset(self, queryset: Any) -> Any:
        page = super().paginate_queryset(queryset)
        return buying_selectors.with_observed(page or [])

    @extend_schema(request=s.NewOfferSerializer, responses=s.OfferSerializer)
    def create(self, request: Request) -> Response:
        """Enters an offer, in place of the one for the same supplier and part."""
        body = parsed(s.NewOfferSerializer, request)
        return self._answer(suppliers.set_offer(actor=actor_of(request), **body))

    def destroy(self, request: Request, pk: str) -> Response:
        suppliers.remove_offer(actor=actor_of(request), offer=self.get_object())
        return Response(status=status.HTTP_204_NO_CONTENT)

    @extend_schema(request=None, responses=s.OfferSerializer)
    @action(detail=True, methods=["post"])
    def preference(self, request: Request, pk: str) -> Response:
        """Buys the part here from now on: the mark moves from the offer that had it."""
        return self._answer(suppliers.prefer(actor=actor_of(request), offer=self.get_object()))

    def _answer(self, offer: Any) -> Response:
        (found,) = buying_selectors.with_observed(buying_selectors.offers().filter(pk=offer.pk))
        return Response(s.OfferSerializer(found).data)


class ApprovalLimitsViewSet(SiteScopedViewSet, GenericViewSet[Any]):
    """Up to which value each role may approve orders of a store; the id is the store's."""

    scoped_queryset = selectors.stores()
    serializer_class = s.ApprovalLimitsSerializer

    def retrieve(self, request: Request, pk: str) -> Response:
        return self._answer()

    @extend_schema(request=s.ApprovalLimitsSerializer, responses=s.ApprovalLimitsSerializer)
    def update(self, request: Request, pk: str) -> Response:
        """Sets the limits of the roles that are named."""
        store = self.get_object()
        body = parsed(s.ApprovalLimitsSerializer, request)
        limits = {Role(role): amount for role, amount in body.items()}
        approvals.set_limits(actor=actor_of(request), store=store, limits=limits)
        return self._answer()

    def _answer(self) -> Response:
        limits = approvals.limits_at(self.get_object())
        data = {role.value: amount for role, amount in limits.items()}
        return Response(s.ApprovalLimitsSerializer(data).data)


# --- Orders -------------------------------------------------------------------------------------


class OrderFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    store = filters.NumberFilter(field_name="store_id")
    supplier = filters.NumberFilter(field_name="supplier_id")
    state = filters.ChoiceFilter(choices=[(x.value, x.label) for x in OrderState])
    late = filters.BooleanFilter(method="only_late", label="Whether something of it is late.")

    def only_late(self, rows: Any, name: str, value: bool) -> Any:
        late = buying_selectors.late(rows, timezone.now().date())
        return late if value else rows.exclude(pk__in=late.order_by().values("pk"))


class OrderViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Orders of the stores to suppliers. Planning keeps one draft for each store and supplier."""

    scoped_queryset = buying_selectors.orders()
    serializer_class = s.OrderSerializer
    filterset_class = OrderFilter
    needs_if_match: ClassVar = (
        "partial_update",
        "lines",
        "submission",
        "approval",
        "send_back",
        "dispatch_order",
        "cancellation",
    )

    @extend_schema(responses=s.OrderDetailSerializer)
    def retrieve(self, request: Request, pk: str) -> Response:
        return self._answer()

    @extend_schema(request=s.NewOrderSerializer, responses=s.OrderDetailSerializer)
    def create(self, request: Request) -> Response:
        """The draft of a store to a supplier, begun where there is none."""
        body = parsed(s.NewOrderSerializer, request)
        order = orders.open_draft(actor=actor_of(request), **body)
        self.kwargs["pk"] = order.pk
        return self._answer()

    @extend_schema(request=s.NoteSerializer, responses=s.OrderDetailSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        """The note to the supplier, on a draft."""
        return self._do(request, orders.set_note, s.NoteSerializer)

    @extend_schema(request=s.LineChangeSerializer, responses=s.OrderDetailSerializer)
    @action(detail=True, methods=["put"])
    def lines(self, request: Request, pk: str) -> Response:
        """How many of one part are wanted beside what planning asks for, on a draft."""
        return self._do(request, orders.set_line, s.LineChangeSerializer)

    @extend_schema(request=None, responses=s.OrderDetailSerializer)
    @action(detail=True, methods=["post"])
    def submission(self, request: Request, pk: str) -> Response:
        """Gives a draft out of hand; within your own limit it is approved at once."""
        return self._do(request, orders.submit)

    @extend_schema(request=None, responses=s.OrderDetailSerializer)
    @action(detail=True, methods=["post"])
    def approval(self, request: Request, pk: str) -> Response:
        """Approves an order whose value your limit covers."""
        return self._do(request, orders.approve)

    @extend_schema(request=s.OrderWhySerializer, responses=s.OrderDetailSerializer)
    @action(detail=True, methods=["post"], url_path="return")
    def send_back(self, request: Request, pk: str) -> Response:
        """Makes a submitted or approved order a draft again."""
        return self._do(request, orders.send_back, s.OrderWhySerializer)

    @extend_schema(request=s.DispatchSerializer, responses=s.OrderDetailSerializer)
    @action(detail=True, methods=["post"], url_path="dispatch")
    def dispatch_order(self, request: Request, pk: str) -> Response:
        """Marks an approved order as sent, and tells the supplier's system where there is one."""
        order = self.get_object()
        version = require_match(request, order)
        days = parsed(s.DispatchSerializer, request).get("promised", [])
        order_sending.send(
            actor=actor_of(request),
            order=order,
            version=version,
            promised_on={day["line"]: day["promised_on"] for day in days},
        )
        return self._answer()

    @extend_schema(request=None, responses=s.OrderDetailSerializer)
    @action(detail=True, methods=["post"])
    def repetition(self, request: Request, pk: str) -> Response:
        """Tells the supplier's system once more of an order that it did not take."""
        order_sending.send_again(actor=actor_of(request), order=self.get_object())
        return self._answer()

    @extend_schema(request=s.OrderWhySerializer, responses=s.OrderDetailSerializer)
    @action(detail=True, methods=["post"])
    def cancellation(self, request: Request, pk: str) -> Response:
        """Gives an order up of which nothing has come."""
        return self._do(request, orders.cancel, s.OrderWhySerializer)

    @extend_schema(responses=s.PutAwaySerializer(many=True), filters=False)
    @action(detail=True, pagination_class=None, filterset_class=None, url_path="put-away")
    def put_away(self, request: Request, pk: str) -> Response:
        """What came of an order, newest first, and which benches it goes to."""
        received = buying_selectors.put_away_of(self.get_object())
        return Response(s.PutAwaySerializer(received, many=True).data)

    @extend_schema(responses={(200, PDF_TYPE): OpenApiTypes.BINARY}, filters=False)
    @action(detail=True, renderer_classes=[PdfRenderer])
    def pdf(self, request: Request, pk: str) -> HttpResponse:
        """The order on A4."""
        return _file(order_pdf(self.get_object()))

    @extend_schema(responses={(200, CsvRenderer.media_type): OpenApiTypes.STR}, filters=False)
    @action(detail=True, renderer_classes=[CsvRenderer])
    def csv(self, request: Request, pk: str) -> HttpResponse:
        """The lines of an order as a file."""
        return _file(order_csv(self.get_object()))

    def _do(
        self, request: Request, service: Callable[..., Any], body: type[Any] | None = None
    ) -> Response:
        order = self.get_object()
        version = require_match(request, order)
        values = parsed(body, request) if body is not None else {}
        service(actor=actor_of(request), order=order, version=version, **values)
        return self._answer()

    def _answer(self) -> Response:
        order = buying_selectors.orders_with_lines().get(pk=self.get_object().pk)
        return with_etag(Response(s.OrderDetailSerializer(order).data), order)


def _file(file: ExportFile) -> HttpResponse:
    response = HttpResponse(file.content, content_type=file.content_type)
    response["Content-Disposition"] = f'attachment; filename="{file.name}"'
    response["Cache-Control"] = "private, no-store"
    return response


# --- Lines of orders ----------------------------------------------------------------------------


class OrderLineFilter(filters.FilterSet):  # type: ignore[misc]  # Any, for want of stubs
    order = filters.NumberFilter(field_name="order_id")
    part = filters.NumberFilter(field_name="part_id")
    late = filters.BooleanFilter(
        method="only_late", label="Whether it was promised for before today and has not come."
    )

    def only_late(self, rows: Any, name: str, value: bool) -> Any:
        late = {"promised_on__lt": timezone.now().date()}
        still = buying_selectors.STILL_TO_COME
        return rows.filter(still, **late) if value else rows.exclude(still, **late)


class OrderLineViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """Lines of orders, and what comes of them."""

    scoped_queryset = buying_selectors.order_lines().order_by("-id")
    serializer_class = s.OrderLineSerializer
    filterset_class = OrderLineFilter

    def retrieve(self, request: Request, pk: str) -> Response:
        return self._answer()

    @extend_schema(request=s.LineReceiptSerializer, responses={201: s.PutAwaySerializer})
    @action(detail=True, methods=["post"])
    def receipts(self, request: Request, pk: str) -> Response:
        """Some of the line came; what waits for it is reserved at once, most urgent first."""
        line = self.get_object()
        body = parsed(s.LineReceiptSerializer, request)
        received = put_away.receive_line(actor=actor_of(request), line=line, **body)
        return Response(s.PutAwaySerializer(received).data, status=status.HTTP_201_CREATED)

    @extend_schema(request=s.PromiseSerializer, responses=s.OrderLineSerializer)
    @action(detail=True, methods=["post"])
    def promise(self, request: Request, pk: str) -> Response:
        """The supplier names another day."""
        body = parsed(s.PromiseSerializer, request)
        orders.promise(actor=actor_of(request), line=self.get_object(), **body)
        return self._answer()

    @extend_schema(request=s.OrderWhySerializer, responses=s.OrderLineSerializer)
    @action(detail=True, methods=["post"], url_path="give-up")
    def give_up(self, request: Request, pk: str) -> Response:
        """No more is expected of the line."""
        body = parsed(s.OrderWhySerializer, request)
        orders.give_up(actor=actor_of(request), line=self.get_object(), **body)
        return self._answer()

    def _answer(self) -> Response:
        return Response(s.OrderLineSerializer(self.get_object()).data)
