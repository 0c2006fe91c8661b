"""What every operation of the OpenAPI document has in common: its headers and its problems."""

from __future__ import annotations

from typing import Any

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse
from rest_framework import serializers
from rest_framework.permissions import AllowAny

from fleet.plumbing.idempotency import HEADER, IdempotentCreateMixin
from fleet.plumbing.problems import CONTENT_TYPE


class ProblemErrorSerializer(serializers.Serializer[Any]):
    """One fault of a request."""

    pointer = serializers.CharField(
        allow_blank=True, help_text="JSON Pointer (RFC 6901) into the request; empty: all of it."
    )
    code = serializers.CharField(help_text="For programs; stays the same.")
    detail = serializers.CharField(help_text="For people: what to do.")


class ProblemSerializer(serializers.Serializer[Any]):
    """A refusal (RFC 9457)."""

    type = serializers.CharField(help_text="Path of a page that explains this kind of problem.")
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    instance = serializers.CharField(allow_blank=True)
    errors = ProblemErrorSerializer(many=True)  # type: ignore[assignment]  # RFC's own word


_SAYS = {
    400: "The request cannot be read, or a header is missing.",
    401: "Not signed in, or the token is not valid.",
    403: "Seen, but not allowed.",
    404: "Not there, or at a site that you cannot see.",
    409: "Not possible in the present state.",
    412: "Changed since it was read; the ETag header holds the present tag.",
    422: "Values that need correcting.",
    428: "If-Match is missing.",
    429: "Too many requests.",
}


class Schema(AutoSchema):
    """DRF's DEFAULT_SCHEMA_CLASS.

    A view whose changes need If-Match says so in `needs_if_match`: the names of its actions
    ("partial_update", "closure"), or of its methods in lower case for a plain APIView.
    """

    def get_override_parameters(self) -> list[Any]:
        parameters = list(super().get_override_parameters())
        if self._is_idempotent():
            parameters.append(
                OpenApiParameter(
                    HEADER,
                    OpenApiTypes.STR,
                    OpenApiParameter.HEADER,
                    required=True,
                    description="Your own name for this request, such as a UUID. Sent again with "
                    "the same content within 24 hours, it gets the same answer and acts once.",
                )
            )
        if self._needs_if_match():
            parameters.append(
                OpenApiParameter(
                    "If-Match",
                    OpenApiTypes.STR,
                    OpenApiParameter.HEADER,
                    required=True,
                    description="The ETag of the record as you read it.",
                )
            )
        return parameters

    def _get_response_bodies(self, direction: Any = "response") -> Any:
        responses = super()._get_response_bodies(direction)
        for status in self._problem_statuses():
            if str(status) not in responses:
                responses[str(status)] = self._get_response_for_code(  # type: ignore[no-untyped-call]
                    OpenApiResponse(ProblemSerializer, description=_SAYS[status]),
                    str(status),
                    [CONTENT_TYPE],
                    direction,
                )
        return dict(sorted(responses.items()))

    def _problem_statuses(self) -> list[int]:
        statuses = {400}
        if not any(isinstance(p, AllowAny) for p in self.view.get_permissions()):
            statuses |= {401, 403}
        if "{" in self.path:
            statuses.add(404)
        if self.method not in ("GET", "HEAD", "OPTIONS"):
            statuses |= {409, 422}
        if self._needs_if_match():
            statuses |= {412, 428}
        if self.view.throttle_classes:
            statuses.add(429)
        return sorted(statuses)

    def _is_idempotent(self) -> bool:
        return self.method == "POST" and isinstance(self.view, IdempotentCreateMixin)

    def _needs_if_match(self) -> bool:
        name = getattr(self.view, "action", None) or self.method.lower()
        return name in getattr(self.view, "needs_if_match", ())
