"""A kit opened for single parts."""

from __future__ import annotations

from typing import Any

from django.db.models import Prefetch
from django.forms import Form
from django.shortcuts import get_object_or_404
from django.urls import reverse

from fleet.faults import Fault
from fleet.roles import Capability
from fleet.web.pages import FormPage
from parts import selectors
from parts.catalogue_selectors import find_batch
from parts.models import KitContent, KitOpening, Part
from parts.services import kits
from parts.web.forms_catalogue import OpenKitForm


def listed(kit: Part) -> str:
    """'4 OR-4, 1 LS-2'."""
    return ", ".join(f"{content.quantity} {content.part.number}" for content in kit.contents.all())


class KitOpen(FormPage):
    form_class = OpenKitForm
    title = "Open a kit"
    verb = "Open the kit"
    kit: Part

    def prepare(self) -> None:
        self.require_somewhere(Capability.KEEP_STOCK)
        contents = Prefetch("contents", KitContent.objects.select_related("part"))
        rows = selectors.catalogue().filter(is_kit=True).prefetch_related(None)
        self.kit = get_object_or_404(rows.prefetch_related(contents), pk=self.kwargs["pk"])

    def make_form(self, **bound: Any) -> Form:
        stores = selectors.stores().actable_by(self.actor, Capability.KEEP_STOCK)
        asked = self.request.GET.get("store")
        return OpenKitForm(
            **bound,
            kit=self.kit,
            stores=stores.order_by("site__name"),
            initial={"store": asked} if asked else {},
        )

    def save(self, form: Form) -> KitOpening:
        typed = form.cleaned_data
        code = typed.get("batch_code")
        batch = find_batch(self.kit, code) if code else None
        if code and batch is None:
            raise Fault(
                f"'{code}' is no batch of {self.kit.number} on record. Look at the label again.",
                field="batch_code",
            )
        return kits.open_kit(
            actor=self.actor, store=typed["store"], kit=self.kit, why=typed["why"], batch=batch
        )

    def where(self, row: KitOpening) -> str:
        return reverse("parts:part", args=[self.kit.pk])

    def done(self, row: KitOpening) -> str:
        return f"One {self.kit.number} is opened in {row.store}. On the shelf: {listed(self.kit)}."

    def context(self, form: Form) -> dict[str, Any]:
        inside = listed(self.kit)
        return {
            "title": f"{self.title}: {self.kit.number}",
            "back": reverse("parts:part", args=[self.kit.pk]),
            "lead": f"One kit that is not reserved leaves the shelf, and what lies in it comes "
            f"onto it piece by piece: {inside}. Demands that wait for one of them come first. A "
            "kit that is open is not closed again."
            if inside
            else "Nothing is known to lie in it. Enter its contents first.",
        }
