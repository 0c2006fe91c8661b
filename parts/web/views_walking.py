"""Lines of one list, or of several on one walk: scanning, and what else is done to a line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, ClassVar
from urllib.parse import urlencode

from django.contrib import messages
from django.db.models import F
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone

from fleet.faults import Fault
from fleet.plumbing.csp import with_camera
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.roles import Capability
from fleet.web.pages import Page, do_once, refusal_of, show_refusal
from inspections.models import Inspection
from parts import pulling_selectors
from parts.board import free_elsewhere
from parts.models import Demand
from parts.pulling_selectors import LotHere, read_scan
from parts.rules.labels import read_bag
from parts.rules.lifecycle import WAITING, DemandState
from parts.services import pulling, stock
from parts.services.scans import BATCH_NEEDED, CONFIRM_BATCH
from parts.web import pull_words
from parts.web.forms_pulling import (
    RETURN_REASONS,
    SHORT_REASONS,
    UNDO_REASONS,
    PullForm,
    ReturnForm,
    ShortForm,
    UndoForm,
)
from parts.web.scanning import COUNT_NEEDED, count_for, line_for

_MOST_LISTS = 40
# A pump as heavy as this has gears, shafts and covers that one person should not lift alone: the
# lower figure for lifting close to the body in HSE INDG143 is 16 kg (from memory).
_HEAVY_KG = 16


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a list as it is shown. why: what it waits for; batches: what left for it."""

    demand: Demand
    bag: str
    why: str
    holders: Sequence[str]
    batches: str
    flagged: bool

    @property
    def part(self) -> Any:
        return self.demand.supplied_part or self.demand.part


class Pulling(SiteScopedMixin, Page):
    """Lines of one or several inspections of one store; a scanner types a number and Enter."""

    template_name = "parts/pull_list.html"
    partial = "list"
    scoped_queryset = Inspection.objects.select_related("site", "pump__model", "need")
    walk: ClassVar[bool] = False

    def inspections(self) -> list[Inspection]:
        raise NotImplementedError

    def here(self) -> str:
        """The address of these lists."""
        raise NotImplementedError

    def get(self, request: HttpRequest, **_path: Any) -> HttpResponse:
        return self._page(self.inspections(), PullForm())

    def post(self, request: HttpRequest, **_path: Any) -> HttpResponse:
        lists = self.inspections()
        acts = {
            "short": (ShortForm, Capability.PULL_PARTS, self._short),
            "undo": (UndoForm, Capability.PULL_PARTS, self._undo),
            "return": (ReturnForm, Capability.PULL_PARTS, self._return),
        }
        what = request.POST.get("do", "")
        if what == "confirm":
            return self._confirm(lists)
        if what not in acts:
            return self._scan(lists)
        form_class, capability, act = acts[what]
        self.require_at(capability, lists[0].site)
        form = form_class(request.POST)
        if not form.is_valid():
            told = [str(error) for errors in form.errors.values() for error in errors]
            return self._page(lists, PullForm(), status=422, fault=" ".join(told))
        line = self._line(lists, form.cleaned_data["demand"])

        def work() -> HttpResponse:
            messages.success(request, act(line, form))
            return redirect(self.here())

        return self._answer(lists, work)

    # --- What can be done to one line

    def _short(self, line: Demand, form: Any) -> str:
        row = pulling.short_pull(
            actor=self.actor,
            demand=line,
            found=form.cleaned_data["found"],
            reason=form.why,
            batch_code=form.cleaned_data["batch_code"],
        )
        part = row.supplied_part or row.part
        if row.state != DemandState.ISSUED.value:
            return f"None of {part} lay there: the line waits again, and the count is put right."
        bag = pull_words.bag_of(line.inspection)
        return f"{row.quantity} {part} issued. Put into the bag of {bag}. The rest waits again."

    def _undo(self, line: Demand, form: Any) -> str:
        row = pulling.undo_pull(actor=self.actor, demand=line, why=form.why)
        where = f" into bin {_bin(line)}" if _bin(line) else ""
        part = row.supplied_part or row.part
        return f"Undone. Put {row.quantity} {part} back{where}: it is reserved again."

    def _return(self, line: Demand, form: Any) -> str:
        fit = form.cleaned_data["fit_for_stock"] == "yes"
        row = pulling.return_issued(actor=self.actor, demand=line, why=form.why, fit_for_stock=fit)
        part = row.supplied_part or row.part
        where = f"bin {_bin(line)}" if _bin(line) else "the shelf"
        return (
            f"{row.quantity} {part} returned. Put it back into {where}."
            if fit
            else f"{row.quantity} {part} returned and scrapped. Keep it apart from the stock."
        )

    def _confirm(self, lists: Sequence[Inspection]) -> HttpResponse:
        self.require_at(Capability.INSPECT, lists[0].site)

        def work() -> HttpResponse:
            rows = pulling.confirm_issue(actor=self.actor, demands=to_confirm(lists))
            messages.success(self.request, f"{len(rows)} confirmed as in hand at the bench.")
            return redirect(self.here())

        return self._answer(lists, work)

    def _answer(self, lists: Sequence[Inspection], work: Any) -> HttpResponse:
        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(self.request, work)))
        if fault is None:
            return answer[0]
        status = 403 if fault.status == 403 else 422
        return self._page(lists, PullForm(), status=status, fault=fault.detail)

    def _line(self, lists: Sequence[Inspection], pk: int) -> Demand:
        for line in pulling_selectors.lines_of(lists):
            if line.pk == pk:
                return line
        raise Http404

    # --- Scanning

    def _scan(self, lists: Sequence[Inspection]) -> HttpResponse:
        self.require_at(Capability.PULL_PARTS, lists[0].site)
        form = PullForm(_read_anew(self.request.POST))
        if not form.is_valid():
            return self._page(lists, form, status=422)
        bag = read_bag(form.cleaned_data["scanned_number"])
        if bag is not None:
            return self._to_list(bag)
        found: list[Demand] = []

        def work() -> HttpResponse:
            issued = self._pull(lists, form.cleaned_data, found)
            into = pull_words.bag_of(found[0].inspection)
            part = issued.supplied_part or issued.part
            messages.success(
                self.request, f"{issued.quantity} {part} issued. Put into the bag of {into}."
            )
            return redirect(self.here())

        answer: list[HttpResponse] = []
        fault = refusal_of(lambda: answer.append(do_once(self.request, work)))
        if fault is None:
            return answer[0]
        at = found[0] if found else None
        if fault.code in (COUNT_NEEDED, BATCH_NEEDED, CONFIRM_BATCH):
            # A question, no refusal: the right part was scanned, and something is still to say.
            return self._page(lists, form, at=at, ask=fault)
        for each in fault.each():
            each.field = each.field if each.field in form.fields else "scanned_number"
        status = show_refusal(form, fault)
        return self._page(lists, form, status=status, at=at, refused=fault)

    def _pull(
        self, lists: Sequence[Inspection], given: dict[str, Any], found: list[Demand]
    ) -> Demand:
        scan = read_scan(given["scanned_number"])
        store = stock.store_of(lists[0].site)
        line = line_for(pulling_selectors.lines_of(lists), scan, store.pk)
        found.append(line)
        # What was counted for another line does not hold for this one.
        counted = given["quantity"] if given["at"] in (None, line.pk) else None
        confirmed = given["confirmed"].strip()
        return pulling.pull(
            actor=self.actor,
            demand=line,
            scanned_number=given["scanned_number"],
            quantity=count_for(line, counted),
            batch_code=confirmed or given["batch_code"],
            confirmed=bool(confirmed),
        )

    def _to_list(self, inspection: int) -> HttpResponse:
        """A bag was scanned: its list opens, if it is one that the viewer can see."""
        asked = get_object_or_404(self.get_queryset(), pk=inspection)
        address = reverse("parts:pull-list", args=[asked.pk])
        if not self.request.htmx:
            return HttpResponseRedirect(address)
        response = HttpResponse(status=204)
        response["HX-Redirect"] = address
        return response

    # --- The page

    def _page(
        self,
        lists: Sequence[Inspection],
        form: Form,
        *,
        status: int = 200,
        at: Demand | None = None,
        ask: Fault | None = None,
        refused: Fault | None = None,
        fault: str = "",
    ) -> HttpResponse:
        lines = self._lines(lists)
        counts = Counter(line.demand.state for line in lines)
        to_pull = [line for line in lines if line.demand.state == DemandState.RESERVED.value]
        issued = [line for line in lines if line.demand.state == DemandState.ISSUED.value]
        asks = _fields_asked(form, at, ask)
        _focus(form, asks)
        context: dict[str, Any] = {
            "lists": lists,
            "inspection": lists[0],
            "pump": lists[0].pump,
            "walk": self.walk,
            "here": self.here(),
            "labels": _labels_address(lists),
            "needed": [(one, needed_of(one), pull_words.bag_of(one)) for one in lists],
            "heavy": _heaviest(lists),
            "stops": _stops(to_pull),
            "waits": [line for line in lines if cannot_be_pulled(line.demand)],
            "issued_lines": issued,
            "returned_lines": [
                line for line in lines if line.demand.state == DemandState.RETURNED.value
            ],
            "to_confirm": sum(line.demand.confirmed_at is None for line in issued),
            "form": form,
            "asks": asks,
            "at": at,
            "ask": ask.detail if ask else "",
            "lots": self._lots(at) if ask and ask.code == BATCH_NEEDED else (),
            "confirm_code": _code_given(form) if ask and ask.code == CONFIRM_BATCH else "",
            "expired": at if refused is not None and refused.code == "expired" else None,
            "fault": fault,
            "to_pull": len(to_pull),
            "issued": len(issued),
            "in_all": len(to_pull) + len(issued),
            "waiting": sum(counts[state.value] for state in WAITING),
            "unmatched": counts[DemandState.UNMATCHED.value],
            "may": self.may_at(lists[0].site),
            "short_reasons": SHORT_REASONS,
            "undo_reasons": UNDO_REASONS,
            "return_reasons": RETURN_REASONS,
        }
        return with_camera(self.show(context, status=status))

    def _lines(self, lists: Sequence[Inspection]) -> list[Line]:
        rows = pulling_selectors.lines_of(lists)
        holders = free_elsewhere(rows)
        batches = pulling_selectors.batches_issued(rows)
        found = []
        for row in rows:
            held_at = holders.get((row.part_id or 0, row.site_id), ())
            found.append(
                Line(
                    demand=row,
                    bag=pull_words.bag_of(row.inspection),
                    why=pull_words.waits_for(row, held_at) if cannot_be_pulled(row) else "",
                    holders=held_at,
                    batches=batches.get(row.pk, ""),
                    flagged=row.why == pulling.RETURN_IT,
                )
            )
        return found

    def _lots(self, line: Demand | None) -> Sequence[LotHere]:
        if line is None or line.pulled_part_id is None:
            return ()
        level = pulling_selectors.level_of(line)
        return pulling_selectors.usable_lots(level, timezone.localdate()) if level else ()


def to_confirm(lists: Sequence[Inspection]) -> list[Demand]:
    """What was handed out for these inspections and nobody at the bench has confirmed yet."""
    return list(
        Demand.objects.filter(
            inspection__in=lists, state=DemandState.ISSUED.value, confirmed_at__isnull=True
        )
    )


def _read_anew(sent: Any) -> Any:
    """A whole shelf label, or another part, scanned where a batch was asked for, is a new scan."""
    typed = sent.get("batch_code", "")
    if not typed or sent.get("confirmed"):
        return sent
    if read_scan(typed).part is None and read_bag(typed) is None:
        return sent
    anew = sent.copy()
    anew["scanned_number"], anew["batch_code"] = typed, ""
    return anew


def _code_given(form: Any) -> str:
    code: str = form.cleaned_data["batch_code"]
    return (code or read_scan(form.cleaned_data["scanned_number"]).batch).strip().upper()


def _fields_asked(form: Any, at: Demand | None, ask: Fault | None) -> set[str]:
    """Which fields beside the number the page shows."""
    asks = set()
    if "quantity" in form.errors or (at is not None and at.quantity > 1 and form.is_bound):
        asks.add("quantity")
    if "batch_code" in form.errors or (ask is not None and ask.code != COUNT_NEEDED):
        asks.add("batch_code")
    return asks


def _focus(form: Any, asks: set[str]) -> None:
    """The cursor stands where the next scan or figure goes; no old scan is left to type behind."""
    form.fields["quantity"].required = "quantity" in asks
    form.fields["batch_code"].required = "batch_code" in asks
    field = "scanned_number"
    if "batch_code" in asks:
        field = "batch_code"
    elif "quantity" in asks:
        field = "quantity"
    form.fields[field].widget.attrs["autofocus"] = True
    if field != "quantity":
        form.fields[field].widget.attrs["data-scan"] = True
    if not form.is_bound:
        return
    data = form.data.dict()
    data["confirmed"] = ""
    if field != "quantity":
        data[field] = ""
    form.data = data


def _stops(lines: Sequence[Line]) -> list[tuple[str, list[Line]]]:
    """The lines to pull, bin by bin."""
    return [(bin, list(each)) for bin, each in groupby(lines, key=lambda line: _bin(line.demand))]


def _bin(demand: Demand) -> str:
    """Where it lies, as selectors.with_shelf read it beside the demand."""
    return getattr(demand, "bin", "")


def cannot_be_pulled(demand: Demand) -> bool:
    return demand.state in {DemandState.UNMATCHED.value, *(s.value for s in WAITING)}


def needed_of(inspection: Inspection) -> str:
    need = getattr(inspection, "need", None)
    return pull_words.needed(need.needed_on, timezone.localdate()) if need else ""


def _heaviest(lists: Sequence[Inspection]) -> Inspection | None:
    heavy = [one for one in lists if (one.pump.model.mass_kg or 0) >= _HEAVY_KG]
    return max(heavy, key=lambda one: one.pump.model.mass_kg or 0, default=None)


def _labels_address(lists: Sequence[Inspection]) -> str:
    query = urlencode([("inspection", one.pk) for one in lists])
    return f"{reverse('parts:labels')}?{query}"


class PullList(Pulling):
    """One list."""

    def inspections(self) -> list[Inspection]:
        return [get_object_or_404(self.get_queryset(), pk=self.kwargs["pk"])]

    def here(self) -> str:
        return reverse("parts:pull-list", args=[self.kwargs["pk"]])


class Walk(Pulling):
    """Several lists on one way along the bins: ?inspection=1&inspection=2."""

    walk = True

    def get(self, request: HttpRequest, **_path: Any) -> HttpResponse:
        if not self._asked():
            messages.error(request, "Choose at least one list for the walk.")
            return redirect("parts:pull-lists")
        return super().get(request)

    def _asked(self) -> list[int]:
        sent = self.request.GET.getlist("inspection") or self.request.POST.getlist("inspection")
        return sorted({int(one) for one in sent if one.isdecimal() and len(one) < 10})

    def inspections(self) -> list[Inspection]:
        asked = self._asked()
        # The bag that is wanted soonest stands first.
        rows = self.get_queryset().filter(pk__in=asked)
        found = list(rows.order_by(F("need__needed_on").asc(nulls_last=True), "pk"))
        if not asked or len(found) < len(asked):
            raise Http404
        if len({one.site_id for one in found}) > 1:
            raise Fault("One walk stays within one store: choose lists of one site.")
        if len(found) > _MOST_LISTS:
            raise Fault(f"That is too much for one walk: choose at most {_MOST_LISTS} lists.")
        return found

    def here(self) -> str:
        query = urlencode([("inspection", one) for one in self._asked()])
        return f"{reverse('parts:walk')}?{query}"
