"""People, sites, and the roles that people hold there."""

from __future__ import annotations

from typing import ClassVar

from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models import Q

from fleet.models.columns import choices, one_of
from fleet.plumbing.scoping import SiteScopedQuerySet
from fleet.roles import Role


class User(AbstractUser):
    """One person, or one system that posts by API."""

    first_name = None  # type: ignore[assignment]
    last_name = None  # type: ignore[assignment]
    full_name = models.CharField(max_length=120)

    REQUIRED_FIELDS: ClassVar[list[str]] = ["full_name"]

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(full_name=""), name="fleet_user_named", violation_error_code="required"
            )
        ]

    def __str__(self) -> str:
        return self.full_name

    def get_full_name(self) -> str:
        return self.full_name

    def get_short_name(self) -> str:
        return self.full_name


class SiteQuerySet(SiteScopedQuerySet["Site"]):
    site_path = "pk"


class Site(models.Model):
    """A place with pumps, a bench and a store."""

    code = models.SlugField(max_length=20, unique=True)
    name = models.CharField(max_length=80, unique=True)

    objects = SiteQuerySet.as_manager()

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class MembershipQuerySet(SiteScopedQuerySet["Membership"]):
    pass


class Membership(models.Model):
    """One role that one person holds at one site."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=30, choices=choices(Role))
    is_trainee = models.BooleanField(default=False)

    objects = MembershipQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["user", "site", "role"], name="fleet_membership_once"),
            models.CheckConstraint(condition=one_of("role", Role), name="fleet_membership_role"),
            models.CheckConstraint(
                condition=Q(is_trainee=False) | Q(role=Role.TECHNICIAN.value),
                name="fleet_membership_trainee_is_technician",
            ),
        ]

    def __str__(self) -> str:
        trainee = " (trainee)" if self.is_trainee else ""
        return f"{self.user}: {Role(self.role).label}{trainee} at {self.site}"
