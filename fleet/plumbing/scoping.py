"""Who sees what, in one place: rows of the sites a person is a member of, and no others.

What a person cannot see answers 404. What a person sees but may not change answers 403: that is
the second question, asked by the services (fleet.access.require).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Generic, Protocol, TypeVar

from django.apps import apps
from django.db import models
from django.http import HttpRequest, HttpResponseBase
from rest_framework import permissions, serializers

from fleet.roles import Capability, roles_that_may

if TYPE_CHECKING:
    from typing import Self

M = TypeVar("M", bound=models.Model)


class Person(Protocol):
    """What scoping needs to know of a user; an anonymous one is never active."""

    @property
    def pk(self) -> Any: ...
    @property
    def is_active(self) -> Any: ...


def memberships_of(user: Person) -> models.QuerySet[Any]:
    """The memberships of an active person; none for anybody else."""
    membership = apps.get_model("fleet", "Membership")
    if not user.is_active:
        return membership.objects.none()
    return membership.objects.filter(user_id=user.pk)


class SiteScopedQuerySet(models.QuerySet[M], Generic[M]):
    """A queryset that can be narrowed to what a person may see or act on.

    There is no bypass for superusers: who works across sites gets memberships, so access is data.
    """

    site_path: ClassVar[str] = "site"
    """Lookup from the model to its site: "inspection__site" on a row of an inspection."""

    def _of_sites(self, sites: models.QuerySet[Any]) -> Self:
        # A subquery, not a join: two memberships at one site must not double the rows.
        return self.filter(**{f"{self.site_path}__in": sites})

    def visible_to(self, user: Person) -> Self:
        """The rows of every site where the user has any membership."""
        return self._of_sites(memberships_of(user).values("site_id"))

    def actable_by(self, user: Person, capability: Capability) -> Self:
        """The rows of every site where one membership of the user carries the capability."""
        able = memberships_of(user).filter(role__in=roles_that_may(capability))
        return self._of_sites(able.values("site_id"))


class SiteScopedViewSet:
    """Mixin for API views: set scoped_queryset, never queryset.

    >>> class PumpViewSet(SiteScopedViewSet, ReadOnlyModelViewSet):
    ...     scoped_queryset = Pump.objects.all()
    """

    scoped_queryset: ClassVar[SiteScopedQuerySet[Any]]
    request: Any

    def get_queryset(self) -> Any:
        if getattr(self, "swagger_fake_view", False):
            return self.scoped_queryset.none()
        # .all(): the class attribute must not keep one request's rows for the next.
        return self.scoped_queryset.all().visible_to(self.request.user)


class HoldsARole(permissions.BasePermission):
    """Lets in whoever has a role at any site. Somebody who left keeps an account and no role."""

    message = (
        "You hold no role at any site, so there is nothing to show you. Ask the maintenance "
        "manager of your site for one."
    )

    def has_permission(self, request: Any, view: Any) -> bool:
        found: bool = memberships_of(request.user).exists()
        return found


class SharedViewSet:
    """Mixin for API views of what belongs to all sites: models, limit sheets, the catalogue."""

    permission_classes: Any = (permissions.IsAuthenticated, HoldsARole)


class SiteScopedMixin:
    """Mixin for pages, first of the bases: set scoped_queryset, never model or queryset.

    Who is not signed in goes to the sign-in page and comes back afterwards.
    """

    scoped_queryset: ClassVar[SiteScopedQuerySet[Any]]
    request: Any

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if not request.user.is_authenticated:
            # Django's LoginRequiredMixin cannot be imported here: models import this module, and
            # its module needs the user model to be loaded already.
            from django.contrib.auth.views import redirect_to_login

            return redirect_to_login(request.get_full_path())
        return super().dispatch(request, *args, **kwargs)  # type: ignore[misc,no-any-return]

    def get_queryset(self) -> Any:
        return self.scoped_queryset.all().visible_to(self.request.user)


class ScopedRelatedField(serializers.PrimaryKeyRelatedField[Any]):
    """A reference in a request body that only finds what the sender may see.

    An id of another site is refused in the same words as an id that does not exist.
    """

    default_error_messages: ClassVar = {
        "does_not_exist": "No {pk_value} that you can see. Send the id of one of your own sites.",
    }

    def get_queryset(self) -> Any:
        rows: Any = super().get_queryset()
        request = self.context.get("request")
        if rows is None:
            return None
        # Without a request there is nobody to see anything.
        return rows.none() if request is None else rows.all().visible_to(request.user)
