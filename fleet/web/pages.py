"""What all pages share: signing in, partials, one service call a form, refusals in place."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Any, ClassVar

from django.contrib import messages
from django.contrib.auth.views import redirect_to_login
from django.core.paginator import Page as RowsPage
from django.core.paginator import Paginator
from django.db import IntegrityError, OperationalError
from django.db.models import ProtectedError
from django.forms import Form
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils.cache import patch_vary_headers
from django.views import View

from fleet.access import (
    capabilities_of,
    require,
    require_anywhere,
    require_role_somewhere,
    roles_at,
)
from fleet.faults import Fault, Stale
from fleet.models import Site
from fleet.plumbing.idempotency import HEADER, Answer, once, request_sha256
from fleet.plumbing.problems import fault_of
from fleet.roles import Capability, allowed

# Forms made by us carry a fresh key each; scripts send their own in the header.
KEY_FIELD = "request_key"
ROWS_PER_PAGE = 50


class Page(View):
    """A page for people who are signed in. A refusal outside a form becomes a page of its own."""

    template_name: ClassVar[str] = ""
    # Name of the partial that answers htmx; "" where the page has none.
    partial: ClassVar[str] = ""

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if not request.user.is_authenticated:
            return redirect_to_login(request.get_full_path())
        try:
            self.admit()
            return super().dispatch(request, *args, **kwargs)
        except Fault as fault:
            return refused(request, fault)

    def admit(self) -> None:
        """Refuses whom the page is not for. Pages of site rows need not: they find no rows."""

    @property
    def actor(self) -> Any:
        """The person signed in: dispatch lets nobody else pass."""
        return self.request.user

    def require_at(self, capability: Capability, site: Site) -> None:
        require(self.actor, capability, site)

    def require_somewhere(self, capability: Capability) -> None:
        require_anywhere(self.actor, capability)

    def may_at(self, site: Site) -> dict[str, bool]:
        """What the viewer may do at a site, for the template: decides which buttons to show."""
        held = roles_at(self.actor, site)
        return {c.value: allowed(held, c) for c in Capability}

    def may_somewhere(self) -> dict[str, bool]:
        """The same for what belongs to all sites: a role at one of them will do."""
        held = capabilities_of(self.actor)
        return {c.value: c in held for c in Capability}

    def sent_version(self) -> int | None:
        """The version of the row that the page showed. None takes the row as it is."""
        text = self.request.POST.get("version", "")
        return int(text) if text.isdecimal() and len(text) < 10 else None

    def show(self, context: dict[str, Any], *, status: int = 200) -> HttpResponse:
        """The page, or only its partial when htmx asks for a part of it."""
        htmx = self.request.htmx  # type: ignore[attr-defined]  # set by its middleware
        name = self.template_name
        whole = htmx.boosted or htmx.history_restore_request
        if self.partial and htmx and not whole:
            name = f"{name}#{self.partial}"
        response = render(self.request, name, context, status=status)
        patch_vary_headers(response, ["HX-Request"])
        # A tablet handed on must not show the last person's page, nor an old form after 'back'.
        response["Cache-Control"] = "private, no-cache"
        return response


class SharedPage(Page):
    """A page of what belongs to all sites: for whoever has a role at one of them."""

    def admit(self) -> None:
        require_role_somewhere(self.actor)


class FormPage(Page, ABC):
    """One form, one service call, one redirect. Whatever is refused comes back as it was typed."""

    template_name = "fleet/form.html"
    form_class: ClassVar[type[Form]]
    title: ClassVar[str] = ""
    verb: ClassVar[str] = "Save"
    said: ClassVar[str] = ""

    def prepare(self) -> None:
        """Finds the rows the form is about, and refuses whom a role is missing."""

    def make_form(self, **bound: Any) -> Form:
        return self.form_class(**bound)

    @abstractmethod
    def save(self, form: Form) -> Any:
        """Calls the one service. Returns its row."""

    @abstractmethod
    def where(self, row: Any) -> str:
        """The address to go to afterwards."""

    def context(self, form: Form) -> dict[str, Any]:
        return {}

    def done(self, row: Any) -> str:
        return self.said

    def get(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        self.prepare()
        return self._page(self.make_form(), 200)

    def post(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        self.prepare()
        form = self.make_form(data=request.POST, files=request.FILES)
        if not form.is_valid():
            return self._page(form, 422)

        def work() -> HttpResponse:
            row = self.save(form)
            if sentence := self.done(row):
                messages.success(request, sentence)
            return redirect(self.where(row))

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(request, work)))
        if fault is None:
            return answer[0]
        status = show_refusal(form, fault)
        if any(isinstance(each, Stale) for each in fault.each()):
            # The next try is made on what the row is now, which the page shows.
            self.prepare()
        return self._page(form, status)

    def _page(self, form: Form, status: int) -> HttpResponse:
        context = {"form": form, "title": self.title, "verb": self.verb, **self.context(form)}
        return self.show(context, status=status)


def refusal_of(work: Callable[[], object]) -> Fault | None:
    """Does the work; returns why it was refused, by a rule or by the database, else None."""
    try:
        work()
    except (Fault, IntegrityError, OperationalError, ProtectedError) as exc:
        fault = fault_of(exc)
        if fault is None:
            raise
        return fault
    return None


def show_refusal(form: Form, fault: Fault) -> int:
    """Puts each fault beside the field it names, or over the form; returns the HTTP status.

    403 where a role is missing, else 422: the page comes back with what was typed.
    """
    for each in fault.each():
        field = next((part for part in each.field.split(".") if part in form.fields), None)
        form.add_error(field, each.detail)
    return 403 if {each.status for each in fault.each()} == {403} else 422


def refused(request: HttpRequest, fault: Fault) -> HttpResponse:
    """A refusal that belongs to no form, as a page."""
    status = 403 if fault.status == 403 else 422
    return render(request, "fleet/refused.html", {"faults": fault.each()}, status=status)


def do_once(request: HttpRequest, work: Callable[[], HttpResponse]) -> HttpResponse:
    """The same POST sent again, by a shaky network or a second tap, acts once.

    The key of a form is made to include what was sent: the form sent again with other content,
    after 'back' for instance, is another request. What is refused is not kept.
    """
    digest = request_sha256(request)
    key = request.headers.get(HEADER) or ""
    if not key and request.POST.get(KEY_FIELD):
        key = f"{request.POST[KEY_FIELD][:100]}.{digest[:32]}"
    if not key.isascii() or not key.isprintable() or not key:
        return work()
    return once(request.user, key[:200], digest, lambda: Answer.of(work()))[0].response()


def rows_page(request: HttpRequest, rows: Any) -> RowsPage[Any]:
    """The page of rows that the address asks for, else the nearest there is. Two queries."""
    return Paginator(rows, ROWS_PER_PAGE).get_page(request.GET.get("page"))
