"""What the API tests send, and how they read a refusal."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.apps import apps
from django.utils import timezone

from fleet.models import Pump

HERE = "drive 12 o'clock"


def rows() -> dict[str, Any]:
    """Everything an inspection or a pump keeps, to show that a refusal changed nothing."""
    kept: dict[str, Any] = {
        model.__name__: list(model._default_manager.order_by("pk").values())
        for model in apps.get_app_config("inspections").get_models()
    }
    return {**kept, "Pump": list(Pump.objects.order_by("pk").values())}


def problem(response: Any) -> tuple[int, list[tuple[str, str]]]:
    assert response["Content-Type"] == "application/problem+json"
    body = response.json()
    assert body["status"] == response.status_code
    return response.status_code, [(e["pointer"], e["code"]) for e in body["errors"]]


def isolation() -> dict[str, str]:
    now = timezone.now()
    return {
        "lock_number": "L-7",
        "isolated_at": (now - timedelta(minutes=9)).isoformat(),
        "proved_zero_how": "Gauge P3 at 0 bar, start button tried",
        "proved_zero_at": (now - timedelta(minutes=5)).isoformat(),
    }


def leaves(line: int, instrument: int, *tries: tuple[str, str], position: str = HERE) -> Any:
    return {
        "line": line,
        "position": position,
        "instrument": instrument,
        "tries": [{"leaves": leaf.split("+"), "feel": feel} for leaf, feel in tries],
    }
