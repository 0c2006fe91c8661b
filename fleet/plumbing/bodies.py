"""Who asks, and what was sent: what every view of the API begins with."""

from __future__ import annotations

from typing import Any

from rest_framework.request import Request
from rest_framework.serializers import BaseSerializer


def actor_of(request: Request) -> Any:
    """The person who asks: the permission classes let nobody in who is not signed in."""
    return request.user


def parsed(
    serializer: type[BaseSerializer[Any]],
    request: Request,
    data: Any = None,
    *,
    partial: bool = False,
) -> dict[str, Any]:
    """The checked body, or `data` in its place. Raises ValidationError with every fault of it."""
    sent = request.data if data is None else data
    read = serializer(data=sent, context={"request": request}, partial=partial)
    read.is_valid(raise_exception=True)
    return dict(read.validated_data)
