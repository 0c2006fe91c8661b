"""What a store is to hold of all its parts, and the curve between money and waiting."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import mark_safe

from fleet.faults import Fault
from fleet.plumbing.scoping import SiteScopedMixin
from fleet.tables import write_csv
from fleet.web.pages import Page, do_once, refused, rows_page
from parts import holding_selectors, selectors
from parts.holding_plans import StorePlan, plan_of
from parts.holding_selectors import PartAdvice
from parts.models import Store
from parts.rules import holding_words as words
from parts.rules.holding_advice import Charges
from parts.rules.holding_curve import Point
from parts.rules.holding_plot import Marked, holding_curve_svg
from parts.rules.stocking import DAYS_A_MONTH, NOT_HELD, Levels
from parts.services import holdings
from parts.web.choosing import chosen_store
from parts.web.forms_holding import PointForm

_STORE_COLUMNS = (
    "money_bound",
    "waiting_percent",
    "mean_wait_days",
    "part",
    "reorder_point",
    "order_up_to",
)


# --- Lines of the tables ------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    """One part of a store as the table shows it."""

    found: PartAdvice
    wanted: str
    lead_days: str
    now: str
    advised: str
    differs: bool
    waits_now: str
    waits_advised: str
    money: str


@dataclass(frozen=True)
class Choice:
    """One line of the table beside a curve. address: the query that looks at it."""

    name: str
    money: str
    waits: str
    mean_wait: str
    held: str
    address: str
    looked: bool
    marks: str


def row_of(found: PartAdvice) -> Row:
    advice = found.advice
    asked = advice.situation
    now, _ = advice.at(found.chosen)
    wanted = asked.pieces_per_day > 0
    advised = advice.levels if advice.held else None
    return Row(
        found,
        f"{asked.pieces_per_day * DAYS_A_MONTH:.2g}" if wanted else "0",
        f"{asked.lead_days:.0f}",
        words.levels_figures(found.chosen),
        words.levels_figures(advised),
        (found.chosen or NOT_HELD) != (advised or NOT_HELD),
        words.percent(now.waiting_share) if wanted else "",
        words.percent(advice.point.waiting_share) if wanted else "",
        f"{advice.point.money:,.0f}" if asked.unit_cost else "",
    )


# --- A whole store ------------------------------------------------------------------------------


class OfStore(SiteScopedMixin, Page):
    """A page, a file or an action about one store."""

    scoped_queryset = selectors.stores()

    def store(self, pk: Any) -> Store:
        found: Store = get_object_or_404(self.get_queryset(), pk=pk)
        return found


def _plan(store: Store, charges: Charges) -> StorePlan:
    today = timezone.localdate()
    return plan_of(holding_selectors.advice_for(store, charges=charges, today=today))


class Holdings(OfStore):
    """One store: what is held and what is advised, and the curve between money and waiting."""

    template_name = "parts/holdings.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        stores, store = chosen_store(request)
        if store is None:
            return self.show({"store": None, "stores": []})
        form = PointForm(request.GET, target=float(store.target_service))
        context: dict[str, Any] = {
            "store": store,
            "stores": stores,
            "form": form,
            "may": self.may_at(store.site),
            "usual": Charges(),
            "target": f"{float(store.target_service) * 100:.4g}",
        }
        if not form.is_valid():
            return self.show(context, status=422)
        plan = _plan(store, form.charges())
        context |= _shown(plan, store, form)
        context["page"] = rows_page(request, [row_of(row) for row in plan.rows])
        return self.show(context)


def _shown(plan: StorePlan, store: Store, form: PointForm) -> dict[str, Any]:
    point = form.point()
    place = plan.place(
        waiting_share=point["waiting_percent"] / 100 if "waiting_percent" in point else None,
        budget=point.get("budget"),
    )
    looked = plan.curve.points[place]
    changes = plan.changes(place)
    if "waiting_percent" in point and looked.waiting_share > point["waiting_percent"] / 100:
        # The curve ends before: the nearest point is shown and said to be so.
        unreached = words.percent(looked.waiting_share)
    else:
        unreached = ""
    return {
        "plan": plan,
        "now": words.point_words(plan.now, store.currency),
        "advised": words.point_words(plan.advised, store.currency),
        "looked": words.point_words(looked, store.currency),
        "unreached": unreached,
        "point": point,
        "charges": form.asked(),
        "query": form.address(store=store.pk, **point),
        "drawing_query": form.address(**point),
        "part_query": form.address(),
        "drawing": mark_safe(  # noqa: S308 (drawn by us, its text escaped)
            _store_drawing(plan, store, looked)
        ),
        "stops": _stops(plan, store, form, place),
        "steps": _store_steps(plan, store, form, place),
        "changes": [
            (row.part, words.levels_figures(row.chosen), words.levels_figures(levels))
            for row, levels in changes
        ],
        "to_change": sum(
            (row.chosen or NOT_HELD) != (row.advice.levels if row.advice.held else NOT_HELD)
            for row in plan.rows
            if row.advice.situation.pieces_per_day > 0
        ),
    }


def _store_drawing(
    plan: StorePlan, store: Store, looked: Point, *, standalone: bool = False
) -> str:
    return holding_curve_svg(
        plan.curve.points,
        Marked(plan.now, plan.advised, looked),
        title=(
            f"{store}: money bound against the share of demands that wait. Looked at: "
            f"{words.point_words(looked, store.currency)}"
        ),
        currency=store.currency,
        standalone=standalone,
    )


def _stops(plan: StorePlan, store: Store, form: PointForm, looked: int) -> list[Choice]:
    places = {plan.place(waiting_share=percent / 100): percent for percent, _, _ in plan.stops()}
    return [
        Choice(
            f"{percent:g} %",
            f"{point.money:,.0f}",
            words.percent(point.waiting_share),
            words.days(point.waiting_days),
            str(count),
            form.address(store=store.pk, waiting_percent=f"{percent:g}"),
            places.get(looked) == percent,
            "",
        )
        for percent, point, count in plan.stops()
    ]


def _store_steps(
    plan: StorePlan, store: Store, form: PointForm, place: int
) -> list[tuple[str, str, str]]:
    """(name, sentence, query) one step cheaper and one dearer."""
    here = plan.curve.points[place]
    found = []
    for name, step, to in (
        ("One step cheaper", plan.step_before(place), "before"),
        ("One step dearer", plan.step_after(place), "after"),
    ):
        if step is None:
            continue
        change, there = step
        sentence = words.step_words(
            plan.row_of(change.part).part.number,
            change.before if to == "before" else change.after,
            here,
            there,
            demands_per_year=plan.demands_per_year,
            currency=store.currency,
        )
        # A hair more money than the point binds, so that rounding does not miss it.
        budget = f"{there.money + 1e-6:.6f}"
        found.append((name, sentence, form.address(store=store.pk, budget=budget)))
    return found


class HoldingsChoose(OfStore):
    """Holds the point of the curve that was looked at, or what is advised part by part."""

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        store = self.store(pk)
        form = PointForm(request.POST, target=float(store.target_service))
        if not form.is_valid():
            return refused(request, as_fault(form))

        def work() -> HttpResponse:
            if request.POST.get("do") == "advice":
                done = holdings.take_advice(actor=self.actor, store=store, charges=form.charges())
            else:
                point = form.point()
                done = holdings.choose(
                    actor=self.actor,
                    store=store,
                    waiting_percent=point.get("waiting_percent"),
                    budget=point.get("budget"),
                    charges=form.charges(),
                )
            messages.success(request, _done(done, store))
            where = form.address(store=store.pk, **form.point())
            return redirect(f"{reverse('parts:holdings')}?{where}")

        return do_once(request, work)


def _done(done: holdings.Changed, store: Store) -> str:
    if not done.set and not done.removed:
        return f"{store} holds all this already."
    said = [f"{done.set} part{'' if done.set == 1 else 's'} set"] if done.set else []
    if done.removed:
        said.append(f"{done.removed} ordered on demand from now on")
    return f"{store}: {', '.join(said)}. Planning follows."


class HoldingsFile(OfStore):
    """The curve of a store as SVG or CSV."""

    def get(self, request: HttpRequest, pk: int, kind: str) -> HttpResponse:
        store = self.store(pk)
        form = PointForm(request.GET, target=float(store.target_service))
        if not form.is_valid():
            return refused(request, as_fault(form))
        plan = _plan(store, form.charges())
        point = form.point()
        if kind == "svg":
            share = point.get("waiting_percent")
            place = plan.place(
                waiting_share=None if share is None else share / 100, budget=point.get("budget")
            )
            drawing = _store_drawing(plan, store, plan.curve.points[place], standalone=True)
            if not drawing:
                raise Http404
            return as_file(drawing, f"holdings-{store.pk}.svg")
        numbers = {row.part.pk: row.part.number for row in plan.weighed}
        lines = [csv_point(plan.curve.points[0], "", None)]
        for step, at in zip(plan.curve.steps, plan.curve.points[1:], strict=True):
            lines.append(csv_point(at, numbers[step.part], step.after))
        return as_file(write_csv(_STORE_COLUMNS, lines), f"holdings-{store.pk}.csv")


def csv_point(point: Point, part: str, levels: Levels | None) -> list[str]:
    return [
        f"{point.money:.2f}",
        f"{point.waiting_share * 100:.6g}",
        f"{point.waiting_days:.6g}",
        part,
        "" if levels is None else str(levels.reorder_point),
        "" if levels is None else str(levels.order_up_to),
    ]


def as_file(content: str | bytes, name: str) -> HttpResponse:
    kind = "image/svg+xml" if name.endswith(".svg") else "text/csv"
    response = HttpResponse(content, content_type=kind)
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    response["Cache-Control"] = "private, no-store"
    return response


def as_fault(form: Form) -> Fault:
    return Fault(" ".join(str(e) for errors in form.errors.values() for e in errors))
