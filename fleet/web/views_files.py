"""Files in and out: tried first, taken over as a whole; templates and exports."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from fleet import selectors
from fleet.exports import FORMATS, ExportFile
from fleet.models import ImportDraft, Site
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.services import imports
from fleet.services.import_kinds import KINDS
from fleet.tables import write_csv, write_xlsx
from fleet.web import forms
from fleet.web.pages import FormPage, Page, do_once, refusal_of
from fleet.web.views_pumps import as_download

DRAFTS_SHOWN = 20
FAULTS_SHOWN = 500


class Imports(FormPage):
    """Sends a file to be tried."""

    template_name = "fleet/imports.html"
    form_class = forms.ImportForm
    title = "Files"
    verb = "Try the file"

    def make_form(self, **bound: Any) -> Form:
        return forms.ImportForm(**bound, sites=selectors.sites_of(self.actor))

    def save(self, form: Form) -> ImportDraft:
        upload = form.cleaned_data["file"]
        draft, _preview = imports.try_import(
            actor=self.actor,
            site=form.cleaned_data["site"],
            kind=form.cleaned_data["kind"],
            file_name=upload.name,
            content=upload.read(),
        )
        return draft

    def where(self, row: ImportDraft) -> str:
        return reverse("fleet:import-draft", args=[row.pk])

    def context(self, form: Form) -> dict[str, Any]:
        drafts = selectors.import_drafts().visible_to(self.actor).order_by("-id")
        may_import = Site.objects.actable_by(self.actor, Capability.KEEP_REGISTER).exists()
        may_draft = Site.objects.actable_by(self.actor, Capability.DRAFT_LIMITS).exists()
        return {
            "kinds": KINDS,
            "drafts": drafts[:DRAFTS_SHOWN],
            "may_import": may_import or may_draft,
            "may_export": Site.objects.actable_by(self.actor, Capability.EXPORT).exists(),
        }


class ImportTemplate(Page):
    """An empty file with the columns of a kind."""

    def get(self, request: HttpRequest, kind: str, file: str) -> HttpResponse:
        if kind not in KINDS or file not in FORMATS:
            raise Http404
        columns = KINDS[kind].columns
        content = write_csv(columns, []) if file == "csv" else write_xlsx(kind, columns, [])
        return as_download(ExportFile(f"{kind}-template.{file}", FORMATS[file], content))


class OneImport(SiteScopedMixin, Page):
    """What a file would do, and the button that does it."""

    template_name = "fleet/import_draft.html"
    scoped_queryset = selectors.import_drafts()

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self._page(get_object_or_404(self.get_queryset(), pk=pk), 200)

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        draft = get_object_or_404(self.get_queryset(), pk=pk)

        def work() -> HttpResponse:
            taken = imports.apply_import(actor=self.actor, draft=draft)
            rows = "1 row is" if taken == 1 else f"{taken} rows are"
            messages.success(request, f"{rows} taken over from '{draft.file_name}'.")
            return redirect("fleet:pumps" if draft.kind == "pumps" else "fleet:models")

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(request, work)))
        if fault is None:
            return answer[0]
        if fault.status == 403:
            raise fault
        return self._page(draft, 422, refusal=fault.detail if not fault.field else "")

    def _page(self, draft: ImportDraft, status: int, refusal: str = "") -> HttpResponse:
        context: dict[str, Any] = {"draft": draft, "kind": KINDS[draft.kind], "refusal": refusal}
        if draft.applied_at is None:
            preview = imports.preview_import(actor=self.actor, draft=draft)
            rows_bad = len({f.row for f in preview.faults})
            context.update(
                preview=preview,
                faults=preview.faults[:FAULTS_SHOWN],
                more=max(0, len(preview.faults) - FAULTS_SHOWN),
                rows_bad=rows_bad,
            )
        return self.show(context, status=status)
