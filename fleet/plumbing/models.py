"""Rows behind the outbox, the repeat-safe POST and the API tokens. Registered by fleet.models."""

from __future__ import annotations

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils import timezone


class Event(models.Model):
    """One fact that a service put on record for others, in the transaction that made it true."""

    id = models.BigAutoField(primary_key=True)
    name = models.CharField(max_length=80)
    # "schema" alone would read like a database schema in SQL.
    schema = models.PositiveSmallIntegerField(db_column="event_schema")
    payload = models.JSONField()
    # Null: the fact concerns no single site.
    site = models.ForeignKey("fleet.Site", on_delete=models.PROTECT, null=True, related_name="+")
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        app_label = "fleet"
        constraints: ClassVar = [
            models.CheckConstraint(condition=~Q(name=""), name="fleet_event_named"),
            models.CheckConstraint(condition=Q(schema__gte=1), name="fleet_event_schema_from_one"),
        ]

    def __str__(self) -> str:
        return f"{self.name} {self.pk}"


class Delivery(models.Model):
    """One event owed to one handler: due until done or parked."""

    id = models.BigAutoField(primary_key=True)
    event = models.ForeignKey(Event, on_delete=models.CASCADE, related_name="deliveries")
    handler = models.CharField(max_length=80)
    next_try_at = models.DateTimeField(default=timezone.now)
    attempts = models.PositiveSmallIntegerField(default=0)
    done_at = models.DateTimeField(null=True)
    parked_at = models.DateTimeField(null=True)
    last_error = models.TextField(default="")

    class Meta:
        app_label = "fleet"
        verbose_name_plural = "deliveries"
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["event", "handler"], name="fleet_delivery_once_per_handler"
            ),
            models.CheckConstraint(condition=~Q(handler=""), name="fleet_delivery_handler_named"),
            models.CheckConstraint(
                condition=Q(done_at__isnull=True) | Q(parked_at__isnull=True),
                name="fleet_delivery_done_or_parked",
            ),
        ]
        indexes: ClassVar = [
            # Due is a state, not "ids above the last one": ids commit out of order.
            models.Index(
                fields=["next_try_at"],
                condition=Q(done_at__isnull=True, parked_at__isnull=True),
                name="fleet_delivery_due",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.handler} of event {self.event_id}"


class IdempotencyKey(models.Model):
    """One answered request that its sender may repeat; the stored answer is given again."""

    id = models.BigAutoField(primary_key=True)
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    key = models.CharField(max_length=200)
    request_sha256 = models.CharField(max_length=64)
    # Null only inside the transaction that does the work; nobody else ever sees it so.
    status = models.PositiveSmallIntegerField(null=True)
    headers = models.JSONField(default=dict)
    body = models.BinaryField(default=bytes)
    created_at = models.DateTimeField(default=timezone.now)

    class Meta:
        app_label = "fleet"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["user", "key"], name="fleet_idempotencykey_once"),
            models.CheckConstraint(condition=~Q(key=""), name="fleet_idempotencykey_not_empty"),
            models.CheckConstraint(
                condition=Q(request_sha256__regex=r"^[0-9a-f]{64}$"),
                name="fleet_idempotencykey_sha256",
            ),
            models.CheckConstraint(
                condition=Q(status__isnull=True) | Q(status__gte=200, status__lte=399),
                name="fleet_idempotencykey_only_success",
            ),
        ]
        indexes: ClassVar = [
            models.Index(fields=["created_at"], name="fleet_idempotencykey_age"),
        ]

    def __str__(self) -> str:
        return self.key


class ApiToken(models.Model):
    """A program's access on behalf of one person, with an end date. Only its hash is kept."""

    id = models.BigAutoField(primary_key=True)
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="api_tokens"
    )
    name = models.CharField(max_length=80)
    # Shown in lists so that a person can tell which token a program holds.
    prefix = models.CharField(max_length=8)
    sha256 = models.CharField(max_length=64)
    created_at = models.DateTimeField(default=timezone.now)
    expires_at = models.DateTimeField()
    revoked_at = models.DateTimeField(null=True)
    last_used_at = models.DateTimeField(null=True)

    class Meta:
        app_label = "fleet"
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["sha256"], name="fleet_apitoken_sha256_once"),
            models.CheckConstraint(
                condition=Q(sha256__regex=r"^[0-9a-f]{64}$"), name="fleet_apitoken_sha256"
            ),
            models.CheckConstraint(condition=~Q(name=""), name="fleet_apitoken_named"),
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("created_at")),
                name="fleet_apitoken_expires_after_created",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.prefix}…)"
