"""Signing in, the people of a site with their roles, and one's own API tokens."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from typing import Any

from django.contrib import messages
from django.contrib.auth.views import LoginView, LogoutView
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone

from fleet.models import ApiToken, Membership, Site, User
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import ROLE_MAY, Capability, Role
from fleet.services import people
from fleet.web import forms
from fleet.web.pages import FormPage, Page, refusal_of, show_refusal

TOKEN_LASTS = timedelta(days=90)


class SignIn(LoginView):
    template_name = "fleet/sign_in.html"
    redirect_authenticated_user = True

    def get_form(self, form_class: Any = None) -> Any:
        form = super().get_form(form_class)
        form.fields["username"].label = "User name"
        return form


class SignOut(LogoutView):
    """By POST only, so that no link on another page signs anybody out."""


class People(SiteScopedMixin, Page):
    template_name = "fleet/people.html"
    scoped_queryset = Membership.objects.select_related("user", "site")

    def get(self, request: HttpRequest) -> HttpResponse:
        held = self.get_queryset().order_by("site__name", "user__full_name", "role")
        sites: dict[Site, dict[User, list[Membership]]] = {}
        for membership in held:
            sites.setdefault(membership.site, {}).setdefault(membership.user, []).append(membership)
        keeps = set(Site.objects.actable_by(self.actor, Capability.KEEP_PEOPLE))
        return self.show(
            {
                "sites": [(site, who.items(), site in keeps) for site, who in sites.items()],
                "may_add_site": bool(keeps),
            }
        )


class RolesTable(Page):
    """What a role may do: the very table that decides."""

    template_name = "fleet/roles.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        rows = [(c, [c in ROLE_MAY[role] for role in Role]) for c in Capability]
        return self.show({"roles": list(Role), "rows": rows})


class SiteAdd(FormPage):
    form_class = forms.SiteForm
    title = "Add a site"
    verb = "Add the site"

    def prepare(self) -> None:
        self.require_somewhere(Capability.KEEP_PEOPLE)

    def save(self, form: Form) -> Site:
        return people.add_site(actor=self.actor, **form.cleaned_data)

    def where(self, row: Site) -> str:
        return reverse("fleet:people")

    def done(self, row: Site) -> str:
        return f"{row} is open, and you are its maintenance manager."

    def context(self, form: Form) -> dict[str, Any]:
        return {"back": reverse("fleet:people")}


class OfSite(SiteScopedMixin, FormPage):
    """A form about the people of one site."""

    scoped_queryset = Site.objects.all()
    site: Site

    def prepare(self) -> None:
        self.site = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        self.require_at(Capability.KEEP_PEOPLE, self.site)

    def where(self, row: Any) -> str:
        return reverse("fleet:people")

    def context(self, form: Form) -> dict[str, Any]:
        return {"title": f"{self.title} at {self.site}", "back": reverse("fleet:people")}


class PersonAdd(OfSite):
    form_class = forms.PersonForm
    title = "Add a person"
    verb = "Add the person"

    def save(self, form: Form) -> User:
        typed = form.cleaned_data
        return people.add_person(
            actor=self.actor, site=self.site, **{**typed, "password": typed["password"] or None}
        )

    def done(self, row: User) -> str:
        return f"{row} can now work at {self.site}."


class RoleGrant(OfSite):
    form_class = forms.RoleForm
    title = "Give a role"
    verb = "Give the role"

    def make_form(self, **bound: Any) -> Form:
        return forms.RoleForm(**bound, initial={"username": self.request.GET.get("username", "")})

    def save(self, form: Form) -> Membership:
        return people.grant_role_by_name(actor=self.actor, site=self.site, **form.cleaned_data)

    def done(self, row: Membership) -> str:
        return f"{row}."


class RoleRevoke(SiteScopedMixin, FormPage):
    scoped_queryset = Membership.objects.select_related("user", "site")
    form_class = Form
    title = "Take a role away"
    verb = "Take the role away"
    membership: Membership

    def prepare(self) -> None:
        self.membership = get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])
        self.require_at(Capability.KEEP_PEOPLE, self.membership.site)

    def save(self, form: Form) -> None:
        people.revoke_role(actor=self.actor, membership=self.membership)

    def where(self, row: None) -> str:
        return reverse("fleet:people")

    def done(self, row: None) -> str:
        return f"{self.membership.user} has one role less at {self.membership.site}."

    def context(self, form: Form) -> dict[str, Any]:
        m = self.membership
        return {
            "lead": f"{m.user} is then no longer {Role(m.role).label} at {m.site}. Everything "
            "signed in that role stays signed. Without any role there, nothing of the site can "
            "be seen.",
            "back": reverse("fleet:people"),
            "danger": True,
        }


# --- Tokens -----------------------------------------------------------------------------------


class Tokens(Page):
    """One's own tokens. The plain text of a new one is on the answer to its POST and nowhere else:
    it goes into no session, no stored answer and no log."""

    template_name = "fleet/tokens.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        return self._page(self._empty_form())

    def _empty_form(self) -> Form:
        until = timezone.now().date() + TOKEN_LASTS
        return forms.TokenForm(initial={"expires_on": until})

    def post(self, request: HttpRequest) -> HttpResponse:
        form = forms.TokenForm(request.POST)
        if not form.is_valid():
            return self._page(form, status=422)
        issued: list[tuple[ApiToken, str]] = []
        end = datetime.combine(form.cleaned_data["expires_on"], time(23, 59, 59), tzinfo=UTC)
        fault = refusal_of(
            lambda: issued.append(
                people.issue_own_token(
                    actor=self.actor, name=form.cleaned_data["name"], expires_at=end
                )
            )
        )
        if fault is not None:
            for each in fault.each():
                each.field = each.field.replace("expires_at", "expires_on")
            return self._page(form, status=show_refusal(form, fault))
        return self._page(self._empty_form(), issued=issued[0])

    def _page(self, form: Form, *, status: int = 200, issued: Any = None) -> HttpResponse:
        tokens = ApiToken.objects.filter(user=self.actor).order_by("-id")
        context = {"form": form, "tokens": tokens, "issued": issued, "now": timezone.now()}
        response = self.show(context, status=status)
        response["Cache-Control"] = "private, no-store"
        return response


class TokenRevoke(Page):
    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        token = get_object_or_404(ApiToken, pk=pk, user=self.actor)
        people.revoke_own_token(actor=self.actor, token=token)
        messages.success(request, f"The token '{token.name}' is withdrawn.")
        return redirect("fleet:tokens")
