"""Every constraint and trigger has a sentence for people and a test that violates it by raw SQL."""

from __future__ import annotations

from pathlib import Path

from django.apps import apps
from django.db import models

from fleet.plumbing.problems import CONSTRAINTS

TESTS = Path(__file__).resolve().parents[1]


def names() -> set[str]:
    return {
        constraint.name
        for app in ("fleet", "inspections", "parts")
        for model in apps.get_app_config(app).get_models()
        for constraint in model._meta.constraints
    }


def test_every_constraint_is_violated_in_some_test() -> None:
    text = "\n".join(
        path.read_text() for path in TESTS.rglob("test_*.py") if path != Path(__file__)
    )
    assert sorted(name for name in names() if name not in text) == []


def test_every_unique_key_has_a_sentence() -> None:
    """A unique key is what two people can run into at once, so it is the one they read about."""
    unique = {
        constraint.name
        for app in ("fleet", "inspections", "parts")
        for model in apps.get_app_config(app).get_models()
        for constraint in model._meta.constraints
        if isinstance(constraint, models.UniqueConstraint)
    }
    # Keys of the plumbing: no person can run into them.
    inner = ("fleet_idempotencykey", "fleet_delivery", "fleet_apitoken")
    own = {n for n in unique if not n.startswith(inner)}
    assert sorted(own - set(CONSTRAINTS)) == []
