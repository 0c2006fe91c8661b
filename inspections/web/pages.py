"""What the pages of an inspection share: who sees it, and how a POST answers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse

from fleet.faults import Fault
from fleet.plumbing.idempotency import KeyBusy
from fleet.plumbing.problems import Busy
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import KEY_FIELD, Page, do_once, refusal_of, show_refusal
from inspections.models import Inspection
from inspections.rules.lifecycle import InspectionState

# Tells the bench script which form has arrived, so that it forgets what it kept of it.
DONE_COOKIE = "wearbook_done"


class _Refused(Exception):
    """Carries a refusal out of the key's transaction, which undoes what was begun."""

    def __init__(self, response: HttpResponse) -> None:
        super().__init__()
        self.response = response


class ScopedPage(SiteScopedMixin, Page):
    """A page of rows that the viewer may see; one of another site answers 404.

    A page that takes a POST answers it by post_once: what is sent twice acts once.
    """

    def post_once(self, handle: Callable[..., HttpResponse], *args: Any) -> HttpResponse:
        """`handle(*args)` under the key of the form: a redirect, or the page with what was refused.

        Refusals are not kept: they can be tried again.
        409 where somebody else is at the same record: to be sent again as it is.
        """

        def work() -> HttpResponse:
            response = handle(*args)
            if response.status_code >= 400:
                raise _Refused(response)
            return response

        try:
            response = do_once(self.request, work)
        except KeyBusy as fault:
            return self.busy(fault)
        except _Refused as refused:
            return refused.response
        form_key = self.request.POST.get(KEY_FIELD, "")
        if form_key.isascii() and form_key.isprintable() and form_key:
            response.set_cookie(DONE_COOKIE, form_key[:100], max_age=3600, samesite="Lax")
        return response

    def busy(self, fault: Fault) -> HttpResponse:
        """Somebody is at the same record: the same request may well do a moment later."""
        response = render(self.request, "fleet/refused.html", {"faults": fault.each()}, status=409)
        response["Retry-After"] = "2"
        return response

    def act(
        self,
        form: Form,
        work: Callable[[], object],
        *,
        to: str | Callable[[], str],
        said: str = "",
    ) -> HttpResponse | int:
        """One service call and where it leads, or the status with which the form comes back."""
        fault = refusal_of(work)
        if fault is not None:
            if fault.code == Busy.code:
                raise _Refused(self.busy(fault))
            return show_refusal(form, fault)
        if said:
            messages.success(self.request, said)
        return redirect(to() if callable(to) else to)


class InspectionPage(ScopedPage):
    """A page of one inspection."""

    scoped_queryset = Inspection.objects.select_related(
        "site",
        "pump__model",
        "sheet__model",
        "opened_by",
        "isolated_by",
        "proved_zero_by",
        "cautions_read_by",
        "signed_by",
        "countersigned_by",
        "supersedes",
    )
    inspection: Inspection
    may: dict[str, bool]

    def setup(self, request: HttpRequest, *args: Any, **kwargs: Any) -> None:
        super().setup(request, *args, **kwargs)
        if not request.user.is_authenticated:
            return  # dispatch sends to the sign-in page
        self.inspection = get_object_or_404(self.get_queryset(), pk=kwargs["pk"])
        self.may = self.may_at(self.inspection.site)

    @property
    def writable(self) -> bool:
        """Whether to offer buttons. The services decide; this only spares a refusal."""
        is_open = self.inspection.state == InspectionState.OPEN.value
        return is_open and self.may[Capability.INSPECT.value]

    def context(self, **more: Any) -> dict[str, Any]:
        return {
            "inspection": self.inspection,
            "pump": self.inspection.pump,
            "sheet": self.inspection.sheet,
            "state": InspectionState(self.inspection.state),
            "writable": self.writable,
            "may": self.may,
            **more,
        }

    def address(self, name: str, *args: object) -> str:
        return reverse(f"inspections:{name}", args=[self.inspection.pk, *args])
