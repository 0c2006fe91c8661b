"""Studies of the measuring: what is under way, the readings of each person, what came of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe

from fleet.faults import Fault
from fleet.models import Site, User
from fleet.roles import Capability
from fleet.units import LengthUnit
from fleet.vocabulary import Characteristic, InstrumentKind
from inspections import study_selectors
from inspections.models import Study, StudyReading
from inspections.rules.study_plots import Scale, scale_of, share_svg, strip_svg
from inspections.services import studies
from inspections.services.studies import Entry
from inspections.web.forms import PlainForm
from inspections.web.pages import ScopedPage
from inspections.web.study_forms import GridForm, StudyForm

# Past its last figure a spread in this unit means nothing on a bench.
_PLACES = {LengthUnit.MM: 4, LengthUnit.UM: 1, LengthUnit.INCH: 5, LengthUnit.THOU: 2}

_PARTS_OF_THE_SPREAD = (
    ("repeatability", "One person, again and again", "repeatability, EV"),
    ("persons", "From one person to the next", "reproducibility, AV"),
    ("interaction", "People differing from part to part", "interaction"),
    ("measuring", "Who measures and how, together", "GRR"),
    ("parts", "What the pumps truly differ by", "PV"),
    ("total", "All of the spread", "TV"),
)


class StudyList(ScopedPage):
    """The studies of the viewer's sites, the newest first."""

    scoped_queryset = study_selectors.studies()
    template_name = "inspections/studies.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        rows = list(self.get_queryset().order_by("-id"))
        keeps = Site.objects.actable_by(self.actor, Capability.KEEP_INSTRUMENTS).exists()
        return self.show(
            {
                "rows": [(row, _named(row), len(row.people.all()) * _each(row)) for row in rows],
                "open": sum(row.closed_at is None for row in rows),
                "closed": sum(row.closed_at is not None for row in rows),
                "may_keep": keeps,
            }
        )


class AddStudy(ScopedPage):
    """Begins a study at one site."""

    scoped_queryset = Site.objects.all()
    template_name = "inspections/study_add.html"

    def get(self, request: HttpRequest) -> HttpResponse:
        return self.page(self.form(initial={"site": self.site()}))

    def post(self, request: HttpRequest) -> HttpResponse:
        return self.post_once(self.handle)

    def site(self) -> Site | None:
        """The one asked for, else the first that the viewer keeps the instruments of."""
        asked = self.request.POST.get("site") or self.request.GET.get("site") or ""
        visible = self.get_queryset().order_by("name")
        if asked:
            pk = int(asked) if asked.isdecimal() and len(asked) < 18 else 0
            found: Site | None = visible.filter(pk=pk).first()
            return found
        first: Site | None = (
            Site.objects.actable_by(self.actor, Capability.KEEP_INSTRUMENTS)
            .order_by("name")
            .first()
        )
        return first

    def form(self, *args: Any, **kwargs: Any) -> StudyForm:
        site = self.site()
        people: Sequence[User] = () if site is None else list(study_selectors.who_can_measure(site))
        return StudyForm(*args, sites=self.get_queryset(), people=people, **kwargs)

    def handle(self) -> HttpResponse:
        form = self.form(self.request.POST)
        status = 422
        if form.is_valid():
            typed = form.cleaned_data
            made: list[Study] = []
            done = self.act(
                form,
                lambda: made.append(
                    studies.open_study(
                        actor=self.actor,
                        site=typed["site"],
                        characteristic=Characteristic(typed["characteristic"]),
                        instrument_kind=InstrumentKind(typed["instrument_kind"]),
                        unit=LengthUnit(typed["unit"]),
                        tolerance=typed["tolerance"],
                        people=form.chosen(),
                        parts=typed["parts"],
                        trials=typed["trials"],
                    )
                ),
                to=lambda: reverse("inspections:study", args=[made[0].pk]),
                said="The study is open. Everybody measures without seeing what others found.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form, status=status)

    def page(self, form: StudyForm, *, status: int = 200) -> HttpResponse:
        keeps = Site.objects.actable_by(self.actor, Capability.KEEP_INSTRUMENTS).order_by("name")
        return self.show({"form": form, "site": self.site(), "sites": list(keeps)}, status=status)


class StudyPage(ScopedPage):
    """One study: readings as long as it is open, what came of it from then on."""

    scoped_queryset = study_selectors.studies()
    template_name = "inspections/study.html"
    study: Study
    may: dict[str, bool]

    def setup(self, request: HttpRequest, *args: Any, **kwargs: Any) -> None:
        super().setup(request, *args, **kwargs)
        if not request.user.is_authenticated:
            return  # dispatch sends to the sign-in page
        self.study = get_object_or_404(self.get_queryset(), pk=kwargs["pk"])
        self.may = self.may_at(self.study.site)

    def get(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.page()

    def post(self, request: HttpRequest, pk: int) -> HttpResponse:
        return self.post_once(self.handle)

    def handle(self) -> HttpResponse:
        if self.request.POST.get("do") == "readings":
            return self.keep_readings()
        if self.request.POST.get("do") == "close":
            return self.close()
        raise Http404

    def keep_readings(self) -> HttpResponse:
        person = self.person_in_hand()
        if person is None:
            raise Http404
        form = self.grid(person, self.request.POST)
        status = 422
        if form.is_valid():
            entries = form.entries(person.pk)
            done = self.act(
                form,
                lambda: self.keep(form, entries),
                to=f"{self.address}?person={person.pk}",
                said="Kept.",
            )
            if not isinstance(done, int):
                return done
            status = done
        return self.page(form=form, status=status)

    def keep(self, form: GridForm, entries: Sequence[tuple[Entry, str]]) -> None:
        try:
            studies.record_study_readings(
                actor=self.actor,
                study=self.study,
                instrument=form.cleaned_data["instrument"],
                entries=[entry for entry, _place in entries],
            )
        except Fault as fault:
            # The service counts through the entries; here each has a field of its own.
            for each in fault.each():
                path = each.field.split(".")
                if path[0] == "entries" and len(path) > 2:
                    end = path[2] if path[2] in ("low", "high") else "low"
                    each.field = f"{end}_{entries[int(path[1])][1]}"
            raise

    def close(self) -> HttpResponse:
        plain = PlainForm(self.request.POST)
        plain.full_clean()
        done = self.act(
            plain,
            lambda: studies.close_study(
                actor=self.actor, study=self.study, version=self.sent_version()
            ),
            to=self.address,
            said="Computed and closed. It stays as it is from now on.",
        )
        return self.page(plain=plain, status=done) if isinstance(done, int) else done

    # --- what is shown

    @property
    def address(self) -> str:
        return reverse("inspections:study", args=[self.study.pk])

    def person_in_hand(self) -> User | None:
        """Whose readings are entered: the one asked for, else one's own."""
        people = {person.pk: person for person in self.study.people.all()}
        asked = self.request.GET.get("person", "")
        if asked.isdecimal() and int(asked) in people:
            return people[int(asked)]
        if self.actor.pk in people:
            return people[self.actor.pk]
        return next(iter(sorted(people.values(), key=lambda one: one.full_name)), None)

    def may_enter(self, person: User | None) -> bool:
        if person is None or self.study.closed_at is not None:
            return False
        own = person.pk == self.actor.pk and self.may[Capability.INSPECT.value]
        return own or self.may[Capability.KEEP_INSTRUMENTS.value]

    def grid(self, person: User, *args: Any) -> GridForm:
        taken = {
            (one.part, one.trial): one
            for one in study_selectors.readings_of(self.study)
            if one.person_id == person.pk
        }
        last = max(taken.values(), key=lambda one: one.typed_at, default=None)
        return GridForm(
            *args,
            parts=self.study.parts,
            trials=self.study.trials,
            by_leaves=self.study.instrument_kind == InstrumentKind.FEELER.value,
            instruments=study_selectors.study_instruments(self.study),
            taken=taken,
            initial={"instrument": None if last is None else last.instrument_id},
        )

    def page(
        self,
        *,
        form: GridForm | None = None,
        plain: PlainForm | None = None,
        status: int = 200,
    ) -> HttpResponse:
        study = self.study
        taken = study_selectors.readings_of(study)
        context: dict[str, Any] = {
            "study": study,
            "named": _named(study),
            "unit": LengthUnit(study.unit).label,
            "by_leaves": study.instrument_kind == InstrumentKind.FEELER.value,
            "plain": plain,
        }
        if study.closed_at is not None:
            return self.show(context | _outcome(study, taken), status=status)
        person = self.person_in_hand()
        enters = self.may_enter(person)
        if enters and person is not None:
            form = form or self.grid(person)
        names = study_selectors.names_of(study.people.all())
        counts = {pk: sum(one.person_id == pk for one in taken) for pk in names}
        keeps = self.may[Capability.KEEP_INSTRUMENTS.value]
        return self.show(
            context
            | {
                "person": person,
                "form": form if enters else None,
                "has_instrument": study_selectors.study_instruments(study).exists(),
                "progress": [
                    (pk, name, counts[pk], keeps or pk == self.actor.pk)
                    for pk, name in names.items()
                ],
                "each": _each(study),
                "wanted": _each(study) * len(names),
                "left": _each(study) * len(names) - len(taken),
                "taken": len(taken),
                "may_close": keeps,
                "trials": range(1, study.trials + 1),
            },
            status=status,
        )


def _each(study: Study) -> int:
    """Readings of one person."""
    return len(study.parts) * study.trials


def _named(study: Study) -> str:
    """Side clearance with feeler gauges."""
    kind = InstrumentKind(study.instrument_kind).label.lower()
    return f"{Characteristic(study.characteristic).label} with {kind}s"


def _outcome(study: Study, taken: Sequence[StudyReading]) -> dict[str, Any]:
    """Everything the page of a closed study shows, from what was stored when it was closed."""
    result: dict[str, Any] = study.result or {}
    unit = LengthUnit(study.unit)
    spreads = result["spreads"]
    scale = scale_of([(one.low, one.high) for one in taken])
    return {
        "result": result,
        "sentences": result["sentences"],
        "figure": _shown(study.u or 0.0, unit),
        "stated": _shown(result["stated"], unit),
        "bracket": _shown(result["bracket"], unit),
        "spreads": [
            _spread_row(label, short, spreads[name], unit)
            for name, label, short in _PARTS_OF_THE_SPREAD
        ],
        "people": [
            (
                one["person"],
                _signed(one["offset"], unit),
                _shown(one["levels"]["short_term"], unit),
                _shown(one["levels"]["between"], unit),
            )
            for one in result["persons"]
        ],
        "strips": _strips(study, taken, scale),
        "axis": (f"{scale.low:f}", f"{scale.high:f}"),
        "anova": [
            (label, result["anova"][name])
            for name, label in (
                ("persons", "Persons"),
                ("parts", "Parts"),
                ("interaction", "Persons by parts"),
                ("repeats", "Repeats"),
                ("total", "Total"),
            )
        ],
    }


def _spread_row(label: str, short: str, spread: dict[str, Any], unit: LengthUnit) -> dict[str, Any]:
    share = spread["share"] or 0.0
    return {
        "label": label,
        "short": short,
        "figure": _shown(spread["figure"], unit),
        "share": f"{share:.0f}",
        "of_tolerance": "" if spread["of_tolerance"] is None else f"{spread['of_tolerance']:.0f}",
        "bar": _safe(share_svg(share, f"{label}: {share:.0f} % of the whole spread")),
    }


def _strips(
    study: Study, taken: Sequence[StudyReading], scale: Scale
) -> list[tuple[str, bool, list[tuple[str, SafeString, str]]]]:
    """By part: whether brackets stand apart there, and each person's strip and figures."""
    names = study_selectors.names_of(study.people.all())
    apart = set((study.result or {}).get("apart") or ())
    rows = []
    for part in study.parts:
        strips = []
        for pk, name in names.items():
            own = sorted(
                (one for one in taken if one.person_id == pk and one.part == part),
                key=lambda one: one.trial,
            )
            figures = "; ".join(_ends(one) for one in own)
            drawn = strip_svg(
                [(one.low, one.high) for one in own], scale, f"{name} at {part}: {figures}"
            )
            strips.append((name, _safe(drawn), figures))
        rows.append((part, part in apart, strips))
    return rows


def _ends(one: StudyReading) -> str:
    return f"{one.low:f}" if one.low == one.high else f"{one.low:f} to {one.high:f}"


def _shown(figure: float, unit: LengthUnit) -> str:
    return f"{figure:.{_PLACES[unit]}f}"


def _signed(figure: float, unit: LengthUnit) -> str:
    return f"{figure:+.{_PLACES[unit]}f}".replace("-", "−")


def _safe(svg: str) -> SafeString:
    # Made by study_plots, which escapes what it is given.
    return mark_safe(svg)  # noqa: S308
