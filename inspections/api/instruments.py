"""REST API of the measuring instruments: what a site owns, and what was read with it."""

from __future__ import annotations

from typing import Any, ClassVar

from django.urls import reverse
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, status
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import GenericViewSet

from fleet.plumbing.bodies import actor_of, parsed
from fleet.plumbing.etags import require_match, with_etag
from fleet.plumbing.idempotency import IdempotentCreateMixin
from fleet.plumbing.scoping import SiteScopedViewSet
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind
from inspections import instrument_selectors, selectors
from inspections.api import filters, inputs
from inspections.api import serializers as s
from inspections.models import Instrument
from inspections.rules.leaves import STANDARD_SETS
from inspections.services import instruments


class LeafSetView(GenericAPIView[Any]):
    """Usual lists of leaves, to start from when a set is registered."""

    serializer_class = s.LeafSetOutput
    pagination_class = None
    filter_backends = ()

    @extend_schema(responses=s.LeafSetOutput(many=True))
    def get(self, request: Request) -> Response:
        return Response(s.LeafSetOutput(list(STANDARD_SETS.values()), many=True).data)


class InstrumentViewSet(
    IdempotentCreateMixin, SiteScopedViewSet, mixins.ListModelMixin, GenericViewSet[Any]
):
    """The measuring instruments of your sites."""

    scoped_queryset = selectors.instruments()
    serializer_class = s.InstrumentOutput
    filterset_class = filters.InstrumentFilter

    @extend_schema(responses=s.InstrumentOutput)
    def retrieve(self, request: Request, pk: str) -> Response:
        """One instrument, with the tag that a new calibration asks for."""
        return _answer(self.get_object())

    @extend_schema(request=inputs.InstrumentInput, responses={201: s.InstrumentOutput})
    def create(self, request: Request) -> Response:
        """Registers an instrument of a site."""
        values = parsed(inputs.InstrumentInput, request)
        instrument = instruments.add_instrument(
            actor=actor_of(request),
            **{
                **values,
                "kind": InstrumentKind(values["kind"]),
                "unit": LengthUnit(values["unit"]),
            },
        )
        response = _answer(instrument, status.HTTP_201_CREATED)
        response["Location"] = reverse("instrument-detail", args=[instrument.pk])
        return response


class OfInstrument(IdempotentCreateMixin, SiteScopedViewSet, GenericAPIView[Any]):
    """Something about one instrument, which the sender must be able to see."""

    scoped_queryset = selectors.instruments()
    filter_backends = ()

    def instrument(self) -> Instrument:
        found: Instrument = self.get_object()
        return found

    def paged(self, rows: Any, serializer: Any) -> Response:
        return self.get_paginated_response(serializer(self.paginate_queryset(rows), many=True).data)


class CalibrationView(OfInstrument):
    needs_if_match: ClassVar = ("post",)

    @extend_schema(request=inputs.CalibrationInput, responses=s.InstrumentOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Keeps what the new certificate says. Readings taken before keep their own."""
        instrument = self.instrument()
        version = require_match(request, instrument)
        values = parsed(inputs.CalibrationInput, request)
        return _answer(
            instruments.calibrated(
                actor=actor_of(request), instrument=instrument, version=version, **values
            )
        )


class WithdrawalView(OfInstrument):
    @extend_schema(request=inputs.NothingInput, responses=s.InstrumentOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Takes an instrument out of use: no new readings with it; the old ones stay."""
        return _answer(
            instruments.withdraw_instrument(actor=actor_of(request), instrument=self.instrument())
        )


class ReinstatementView(OfInstrument):
    @extend_schema(request=inputs.NothingInput, responses=s.InstrumentOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Puts a withdrawn instrument to use again."""
        return _answer(
            instruments.bring_back_instrument(actor=actor_of(request), instrument=self.instrument())
        )


class LeavesView(OfInstrument):
    @extend_schema(request=inputs.LeafInput, responses={201: s.InstrumentOutput})
    def post(self, request: Request, pk: int) -> Response:
        """Puts a new leaf into a set, in place of a withdrawn one or besides those it has."""
        row = instruments.put_in_leaf(
            actor=actor_of(request),
            instrument=self.instrument(),
            **parsed(inputs.LeafInput, request),
        )
        return _answer(row, status.HTTP_201_CREATED)


class LeafWithdrawalsView(OfInstrument):
    @extend_schema(
        responses=s.LeafWithdrawalOutput(many=True), operation_id="instrument_leaf_withdrawals_list"
    )
    def get(self, request: Request, pk: int) -> Response:
        """Leaves taken out of a set, by whom and why; the newest first."""
        rows = instrument_selectors.leaf_withdrawals().filter(instrument=self.instrument())
        return self.paged(rows.order_by("-id"), s.LeafWithdrawalOutput)

    @extend_schema(request=inputs.LeafWithdrawalInput, responses={201: s.LeafWithdrawalOutput})
    def post(self, request: Request, pk: int) -> Response:
        """Takes one leaf out of its set, bent or worn; `readings?leaf=` lists what it measured."""
        row = instruments.withdraw_leaf(
            actor=actor_of(request),
            instrument=self.instrument(),
            **parsed(inputs.LeafWithdrawalInput, request),
        )
        return Response(s.LeafWithdrawalOutput(row).data, status=status.HTTP_201_CREATED)


class TakenWithView(OfInstrument):
    @extend_schema(
        parameters=[inputs.TakenWithQuery],
        responses=s.TakenWithOutput(many=True),
        operation_id="instrument_readings_list",
    )
    def get(self, request: Request, pk: int) -> Response:
        """Readings taken with an instrument, or with one leaf of it, to be looked at again.

        The newest first; those set aside since are there too.
        """
        instrument = self.instrument()
        asked = parsed(inputs.TakenWithQuery, request, data=request.query_params)
        rows = instrument_selectors.readings_with(instrument, **asked).visible_to(request.user)
        return self.paged(rows.order_by("-id"), s.TakenWithOutput)


def _answer(row: Instrument, code: int = status.HTTP_200_OK) -> Response:
    return with_etag(Response(s.InstrumentOutput(row).data, status=code), row)
