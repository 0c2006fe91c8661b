"""What one store is to hold of one part: the curve, the reasons, the levels to choose."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe

from fleet.roles import Capability
from fleet.tables import write_csv
from fleet.web.pages import do_once, refusal_of, refused, show_refusal
from parts import holding_selectors
from parts.holding_plans import NetworkPlan, network_plan
from parts.holding_selectors import PartAdvice
from parts.models import Holding, Part, Store
from parts.rules import holding_words as words
from parts.rules.holding_advice import DAYS_A_YEAR, Charges
from parts.rules.holding_curve import PartCurve, Point
from parts.rules.holding_plot import Marked, holding_curve_svg
from parts.rules.stocking import DAYS_A_MONTH, NOT_HELD, ON_DEMAND, Levels
from parts.services import holdings
from parts.web.forms_holding import ChargesForm, LevelsForm
from parts.web.views_holdings import Choice, OfStore, as_fault, as_file, csv_point

_PART_COLUMNS = (
    "reorder_point",
    "order_up_to",
    "money_bound",
    "waiting_percent",
    "mean_wait_days",
)


class _OfPart(OfStore):
    """A page or a file about one part in one store."""

    def found(self, store: int, pk: int) -> tuple[Store, Part]:
        return self.store(store), get_object_or_404(Part, pk=pk)

    def advice(self, store: Store, part: Part, charges: Charges) -> PartAdvice:
        (row,) = holding_selectors.advice_for(
            store, charges=charges, today=timezone.localdate(), part=part
        )
        return row

    def looked(self, row: PartAdvice) -> Levels:
        """The levels in the address, else what is held, else what is advised."""
        asked = [self.request.GET.get(name, "") for name in ("at", "to")]
        if all(text.removeprefix("-").isdecimal() and len(text) < 8 for text in asked):
            low, high = int(asked[0]), int(asked[1])
            if ON_DEMAND <= low < high or (low, high) == (ON_DEMAND, 0):
                return Levels(low, high)
        return row.chosen or row.advice.levels


class HoldingOfPart(_OfPart):
    """One part in one store: the curve, the reasons, and the levels to choose."""

    template_name = "parts/holding.html"

    def get(self, request: HttpRequest, store: int, pk: int) -> HttpResponse:
        at, part = self.found(store, pk)
        charges = ChargesForm(request.GET)
        if not charges.is_valid():
            return refused(request, as_fault(charges))
        return self._page(at, part, charges)

    def post(self, request: HttpRequest, store: int, pk: int) -> HttpResponse:
        at, part = self.found(store, pk)
        charges = ChargesForm(request.POST)
        if not charges.is_valid():
            return refused(request, as_fault(charges))
        do = request.POST.get("do", "set")
        if do != "set":
            return do_once(request, lambda: self._act(do, at, part, charges))
        form = LevelsForm(request.POST)
        if not form.is_valid():
            return self._page(at, part, charges, form, status=422)
        answer: list[HttpResponse] = []
        fault = refusal_of(
            lambda: answer.append(do_once(request, lambda: self._set(form, at, part, charges)))
        )
        if fault is None:
            return answer[0]
        return self._page(at, part, charges, form, status=show_refusal(form, fault))

    def _set(self, form: Form, at: Store, part: Part, charges: ChargesForm) -> HttpResponse:
        row = holdings.set_holding(
            actor=self.actor,
            store=at,
            part=part,
            version=self.sent_version(),
            charges=charges.charges(),
            **form.cleaned_data,
        )
        said = words.levels_words(Levels(row.reorder_point, row.order_up_to))
        messages.success(self.request, f"{part.number} is held {said}. Planning follows.")
        return self._back(at, part, charges)

    def _act(self, do: str, at: Store, part: Part, charges: ChargesForm) -> HttpResponse:
        if do == "spread":
            stores = holdings.take_spread(
                actor=self.actor, store=at, part=part, charges=charges.charges()
            )
            names = ", ".join(str(one) for one in stores)
            messages.success(self.request, f"{part.number} is held as advised at {names}.")
        else:
            held = holding_selectors.holding_of(at, part)
            if held is None:
                self.require_at(Capability.SET_HOLDINGS, at.site)
            else:
                holdings.remove_holding(actor=self.actor, holding=held, version=self.sent_version())
            messages.success(self.request, f"{part.number} is ordered on demand from now on.")
        return self._back(at, part, charges)

    def _back(self, at: Store, part: Part, charges: ChargesForm) -> HttpResponse:
        query = charges.address()
        address = reverse("parts:holding", args=[at.pk, part.pk])
        return redirect(f"{address}?{query}" if query else address)

    def _page(
        self,
        at: Store,
        part: Part,
        charges: ChargesForm,
        form: Form | None = None,
        status: int = 200,
    ) -> HttpResponse:
        row = self.advice(at, part, charges.charges())
        curve = row.advice.curve()
        looked = self.looked(row)
        keep_back = row.holding.keep_back if row.holding else row.advice.keep_back
        initial = {
            "reorder_point": looked.reorder_point,
            "order_up_to": looked.order_up_to,
            "keep_back": min(keep_back, looked.order_up_to),
        }
        return self.show(
            {
                **_part_shown(row, at, curve, looked, charges),
                **self._network(row, at),
                "store": at,
                "part": part,
                "form": form or LevelsForm(initial=initial),
                "version": row.holding.version if row.holding else None,
                "may": self.may_at(at.site),
                "charges": charges.asked(),
                "query": charges.address(),
                "usual": Charges(),
            },
            status=status,
        )

    def _network(self, row: PartAdvice, at: Store) -> dict[str, Any]:
        if row.network is None:
            return {}
        held = dict(
            Holding.objects.filter(store__in=row.stores, part=row.part).values_list(
                "store_id", "order_up_to"
            )
        )
        plan = network_plan(row, held)
        if plan is None:
            return {}
        mine = set(self.get_queryset().values_list("pk", flat=True))
        return _network_shown(plan, row, mine)


def _part_shown(
    row: PartAdvice, at: Store, curve: PartCurve, looked: Levels, charges: ChargesForm
) -> dict[str, Any]:
    advice, asked = row.advice, row.advice.situation
    point, _ = advice.at(looked)
    priced = bool(asked.unit_cost)
    wanted = asked.pieces_per_day > 0
    return {
        "row": row,
        "wanted": wanted,
        "priced": priced,
        "now": words.levels_words(row.chosen),
        "advised": words.levels_words(advice.levels if advice.held else None),
        "brings": words.point_words(advice.point, at.currency) if priced else "",
        "meets": words.met(advice.filled),
        "looked": words.levels_words(looked),
        "looked_point": words.point_words(point, at.currency) if priced else "",
        "reasons": words.reasons(advice.basis(), at.currency),
        "keep_back": advice.keep_back,
        "choices": _choices(row, at, curve, looked, charges) if wanted else [],
        "steps": _part_steps(row, at, curve, looked, charges) if wanted and priced else [],
        "drawing": _part_drawing(row, at, curve, point) if wanted and priced else "",
        "drawing_query": _address(charges, looked),
        "forecast": asked.wanted.forecast is not None,
    }


def _part_drawing(
    row: PartAdvice, at: Store, curve: PartCurve, looked: Point, *, standalone: bool = False
) -> SafeString:
    points = [curve.point(n) for n in range(len(curve.levels))]
    drawing = holding_curve_svg(
        points,
        Marked(row.advice.at(row.chosen)[0], row.advice.point, looked),
        title=(
            f"{row.part.number} in {at}: money bound against the share of demands that wait. "
            f"Looked at: {words.point_words(looked, at.currency)}"
        ),
        currency=at.currency,
        dots=True,
        standalone=standalone,
    )
    return mark_safe(drawing)  # noqa: S308 (drawn by us, its text escaped)


def _choices(
    row: PartAdvice, at: Store, curve: PartCurve, looked: Levels, charges: ChargesForm
) -> list[Choice]:
    found = []
    for place, levels in enumerate(curve.levels):
        point = curve.point(place)
        marks = [
            name
            for name, which in (
                ("now", row.chosen or NOT_HELD),
                ("advised", row.advice.levels),
            )
            if which == levels
        ]
        found.append(
            Choice(
                words.levels_figures(levels),
                f"{point.money:,.2f}" if row.advice.situation.unit_cost else "",
                words.percent(point.waiting_share),
                words.days(point.waiting_days),
                "",
                _address(charges, levels),
                levels == looked,
                ", ".join(marks),
            )
        )
    return found


def _part_steps(
    row: PartAdvice, at: Store, curve: PartCurve, looked: Levels, charges: ChargesForm
) -> list[tuple[str, str, str]]:
    found = []
    here, _ = row.advice.at(looked)
    less, more = _neighbours(curve, looked)
    for name, to in (("One step less", less), ("One step more", more)):
        if to is None:
            continue
        sentence = words.step_words(
            "",
            to,
            here,
            row.advice.at(to)[0],
            demands_per_year=curve.demands_per_day * DAYS_A_YEAR,
            currency=at.currency,
        )
        found.append((name, sentence, _address(charges, to)))
    return found


def _neighbours(curve: PartCurve, looked: Levels) -> tuple[Levels | None, Levels | None]:
    """One choice less and one more; where the levels are none of the curve's, one piece each."""
    place = curve.place_of(looked)
    if place is not None:
        less = curve.levels[place - 1] if place else None
        return less, curve.levels[place + 1] if place + 1 < len(curve.levels) else None
    low, high = looked.reorder_point, looked.order_up_to
    return Levels(low - 1, high - 1) if low > 0 else NOT_HELD, Levels(low + 1, high + 1)


def _address(charges: ChargesForm, levels: Levels) -> str:
    return charges.address(at=levels.reorder_point, to=levels.order_up_to)


def _network_shown(plan: NetworkPlan, row: PartAdvice, mine: set[int]) -> dict[str, Any]:
    """Stores that the viewer may not see are counted, and not named."""
    seen = [line for line in plan.lines if line.store.pk in mine]
    hidden = len(plan.lines) - len(seen)
    lines = [
        {
            "store": line.store,
            "wanted": f"{line.pieces_per_day * DAYS_A_MONTH:.2g}",
            "lead_days": f"{line.lead_days:.1f}",
            "now": line.now,
            "now_waiting": words.percent(line.now_waiting),
            "advised": line.advised,
            "advised_waiting": words.percent(line.advised_waiting),
        }
        for line in seen
    ]
    return {
        "network": plan,
        "lines": lines,
        "hidden": hidden,
        "central_now": row.holding.order_up_to if row.holding else 0,
        "missed_now": words.missed_words(plan.now.missed),
        "missed_best": words.missed_words(plan.best.missed),
        "missed_advised": words.missed_words(plan.advised.missed),
        "better": plan.best.missed < plan.now.missed - 1e-6,
        "isolated_now": words.percent(plan.pooling_now.isolated),
        "pooled_now": words.percent(plan.pooling_now.pooled),
        "isolated": words.percent(plan.pooling_advised.isolated),
        "pooled": words.percent(plan.pooling_advised.pooled),
        "best_stocks": [
            (line.store, stock)
            for line, stock in zip(plan.lines, plan.best.stocks, strict=True)
            if line.store.pk in mine
        ],
    }


class HoldingFile(_OfPart):
    """The curve of one part as SVG or CSV."""

    def get(self, request: HttpRequest, store: int, pk: int, kind: str) -> HttpResponse:
        at, part = self.found(store, pk)
        form = ChargesForm(request.GET)
        if not form.is_valid():
            return refused(request, as_fault(form))
        row = self.advice(at, part, form.charges())
        curve = row.advice.curve()
        if kind == "svg":
            point, _ = row.advice.at(self.looked(row))
            drawing = _part_drawing(row, at, curve, point, standalone=True)
            if not drawing:
                raise Http404
            return as_file(drawing, f"holding-{at.pk}-{part.number}.svg")
        lines = []
        for place, levels in enumerate(curve.levels):
            money, share, mean, *_ = csv_point(curve.point(place), "", None)
            lines.append([str(levels.reorder_point), str(levels.order_up_to), money, share, mean])
        return as_file(write_csv(_PART_COLUMNS, lines), f"holding-{at.pk}-{part.number}.csv")
