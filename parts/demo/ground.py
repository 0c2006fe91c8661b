"""What is there before the first day: sites, people, instruments, models, sheets, parts, pumps."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import count
from random import Random
from typing import Any

from fleet.lifecycle import PumpStatus
from fleet.models import LimitSheet, Pump, PumpModel, SheetLine, Site, User
from fleet.services import leak_paths, people, pumps, sheets
from fleet.units import LengthUnit
from fleet.vocabulary import InstrumentKind
from inspections.models import Instrument
from inspections.rules.leaves import STANDARD_SETS
from inspections.services import instruments
from parts.demo import scenario, wear
from parts.models import Part, Store
from parts.services import catalogue, stock

SEED = 20
_RUBBER = ("SEAL-KIT", "SHAFT-SEAL", "O-RING", "BACK-UP")
Say = Callable[[str], None]


@dataclass
class Instruments:
    leaves: Instrument
    fine: Instrument
    by_kind: dict[str, Instrument]


class Ground:
    """Who is who, which pump wears how, and what is to happen when."""

    def __init__(self, today: datetime, say: Say, *, days: int, share: float) -> None:
        self.end = today
        self.start = today - timedelta(days=days)
        self.say = say
        self.share = share
        self.dice = Random(SEED)  # noqa: S311 (a story, not a secret)
        self.sites: dict[str, Site] = {}
        self.people: dict[str, User] = {}
        self.stores: dict[str, Store] = {}
        self.instruments: dict[str, Instruments] = {}
        self.models: dict[str, PumpModel] = {}
        self.parts: dict[str, Part] = {}
        self.wear: dict[int, wear.Wear] = {}
        self.lines: dict[int, list[SheetLine]] = {}
        self.calendar: list[tuple[datetime, int, Callable[[datetime], None]]] = []
        self._ticket = count()

    def found(self) -> None:
        self.say("Sites and people")
        first = scenario.PEOPLE[0]
        for code, name in scenario.SITES:
            self.sites[code] = people.found_site(
                code=code,
                name=name,
                username=first.username,
                full_name=first.full_name,
                password=scenario.PASSWORD,
            )
        manager = User.objects.get(username=first.username)
        self.people[first.username] = manager
        for person in scenario.PEOPLE[1:]:
            for site, role, trainee in person.places:
                known = self.people.get(person.username)
                if known is None:
                    self.people[person.username] = people.add_person(
                        actor=manager,
                        site=self.sites[site],
                        username=person.username,
                        full_name=person.full_name,
                        password=scenario.PASSWORD,
                        roles=[role.value],
                        trainee=trainee,
                    )
                else:
                    people.grant_role(
                        actor=manager,
                        user=known,
                        site=self.sites[site],
                        role=role.value,
                        is_trainee=trainee,
                    )

    def equip(self) -> None:
        self.say("Instruments and stores")
        supervisor = self.people["supervisor"]
        for number, (code, _) in enumerate(scenario.SITES):
            site = self.sites[code]

            def register(
                identity: str,
                name: str,
                kind: InstrumentKind,
                site: Site = site,
                number: int = number,
                leaves: str = "",
                resolution: str | None = None,
                error: str = "0.004",
                due_in_days: int | None = None,
            ) -> Instrument:
                return instruments.add_instrument(
                    actor=supervisor,
                    site=site,
                    identity=f"{identity}-{number + 1}",
                    name=name,
                    kind=kind,
                    unit=STANDARD_SETS[leaves].unit if leaves else LengthUnit.MM,
                    leaves=STANDARD_SETS[leaves].leaves if leaves else (),
                    resolution=Decimal(resolution) if resolution else None,
                    permissible_error=Decimal(error),
                    calibration_due_on=(
                        self.end
                        + timedelta(days=70 + 40 * number if due_in_days is None else due_in_days)
                    ).date(),
                )

            self.instruments[code] = Instruments(
                leaves=register(
                    "LS", "Leaf set, metric 20", InstrumentKind.FEELER, leaves="metric_20"
                ),
                fine=register(
                    "LF", "Leaf set, metric 28", InstrumentKind.FEELER, leaves="metric_28"
                ),
                by_kind={
                    kind.value: register(
                        identity, kind.label, kind, resolution=resolution, error=error,
                        due_in_days=due_in_days,
                    )
                    for identity, kind, resolution, error, due_in_days in (
                        ("MIC", InstrumentKind.MICROMETER, "0.001", "0.002", None),
                        ("DEPTH", InstrumentKind.DEPTH_MICROMETER, "0.001", "0.003", 20),
                        ("DIAL", InstrumentKind.DIAL, "0.002", "0.004", None),
                        # The last weeks' bores were taken with a gauge that is overdue.
                        ("BORE", InstrumentKind.BORE_GAUGE, "0.001", "0.003",
                         -5 if code == "quarry-north" else None),
                    )
                },
            )  # fmt: skip
            instruments.withdraw_leaf(
                actor=supervisor,
                instrument=self.instruments[code].fine,
                leaf=Decimal("0.05"),
                why="Kinked at the tip",
            )
            self.stores[code] = stock.open_store(
                actor=self.people[scenario.BENCHES[code].clerk],
                site=site,
                name=f"Store, {site.name}",
            )

    def list_models(self) -> None:
        self.say("Pump models, limit sheets and parts")
        supervisor, clerk = self.people["supervisor"], self.people["clerk"]
        for model in scenario.MODELS:
            row = pumps.add_model(actor=supervisor, **model.fields)
            self.models[model.key] = row
            leak_paths.set_leak_paths(
                actor=supervisor, model=row, paths=scenario.LEAK_PATHS.get(model.key, ())
            )
            for age, (revision, document, lines) in enumerate(model.sheets):
                at = self.start - timedelta(days=120) + timedelta(days=300 * age)
                draft = sheets.draft_sheet(
                    actor=supervisor,
                    model=row,
                    revision=revision,
                    document=document,
                    lines=lines,
                    now=at,
                )
                # The last revision comes into force on its day of the story.
                if age == 0:
                    sheets.issue_sheet(actor=supervisor, sheet=draft, now=at)
                else:
                    self.at(at, self._issue(draft.pk))
            for component, (number, name, quantity) in scenario.parts_of(model).items():
                part = self._part(clerk, number, name)
                catalogue.set_fit(
                    actor=clerk, model=row, component=component.value, part=part, quantity=quantity
                )
            for old, new in scenario.SUPERSEDED.items():
                if old in self.parts and new not in self.parts:
                    self._part(clerk, new, f"{self.parts[old].name}, wrapped")
            kit = self.parts[f"{model.key}-SEAL-KIT"]
            catalogue.set_kit_contents(
                actor=clerk,
                kit=kit,
                version=None,
                contents=[
                    (self._part(clerk, f"{model.key}-{suffix}", f"{model.key} {name}"), quantity)
                    for suffix, name, quantity in scenario.KIT_CONTENTS
                ],
            )

    def _part(self, clerk: User, number: str, name: str) -> Part:
        if number not in self.parts:
            self.parts[number] = catalogue.add_part(
                actor=clerk,
                number=number,
                name=name,
                is_kit=number.endswith("SEAL-KIT"),
                shelf_life_months=(
                    scenario.SEAL_SHELF_LIFE_MONTHS if number.endswith(_RUBBER) else None
                ),
            )
        return self.parts[number]

    def _issue(self, sheet_id: int) -> Callable[[datetime], None]:
        def issue(at: datetime) -> None:
            draft = LimitSheet.objects.get(pk=sheet_id)
            sheets.issue_sheet(actor=self.people["supervisor"], sheet=draft, now=at)

        return issue

    def stock_up(self) -> None:
        shelf = count(1)
        for code, store in self.stores.items():
            clerk = self.people[scenario.BENCHES[code].clerk]
            for number, part in self.parts.items():
                quantity = self._first_stock(code, number)
                if quantity:
                    place = next(shelf)
                    stock.receive(
                        actor=clerk,
                        store=store,
                        part=part,
                        quantity=quantity,
                        reason="First stock",
                        bin=f"{'ABCDEF'[place // 20 % 6]}-{place % 20 + 1}",
                        unit_cost=scenario.price_of(number) * scenario.WORTH[store.currency],
                        now=self.start,
                        **self._first_batch(part),
                    )

    def _first_batch(self, part: Part) -> dict[str, Any]:
        if not part.ages:
            return {}
        # Some of what lay there at the start has run out by now.
        years = 4 if sum(part.number.encode()) % 2 else 2
        cured = (self.start - timedelta(days=365 * years)).date().replace(day=1)
        return {"batch_code": f"{part.number.split('-')[0]}{cured:%y%m}", "cured_on": cured}

    def _first_stock(self, site: str, number: str) -> int:
        if number.endswith("SEAL-KIT"):
            return {"quarry-north": 8, "harbour-yard": 4, "forest-mill": 3}[site]
        if number.endswith(("PLATE", "BUSH")):
            return {"quarry-north": 12, "harbour-yard": 6, "forest-mill": 4}[site]
        return 2 if site == "quarry-north" else 1

    def register_pumps(self) -> list[Pump]:
        self.say("Pumps")
        supervisor = self.people["supervisor"]
        codes = [code for code, _ in scenario.SITES]
        rows = []
        for model in scenario.MODELS:
            for number in range(1, max(1, round(model.pumps * self.share)) + 1):
                site = self.sites[codes[(number - 1) % 3 if number % 4 else 0]]
                hours = Decimal(self.dice.randrange(200, int(model.life_h * 0.45)))
                pump = pumps.add_pump(
                    actor=supervisor,
                    site=site,
                    model=self.models[model.key],
                    tag=f"{model.tag}-{number:02}",
                    serial=f"{model.key}{self.dice.randrange(10_000, 99_999)}",
                    machine=f"{self.dice.choice(model.machines)} {self.dice.randrange(1, 6)}",
                    position=self.dice.choice(("main", "auxiliary", "left", "right")),
                    meter_h=hours,
                    read_at=self.start,
                    status=PumpStatus.IN_SERVICE.value,
                    now=self.start,
                )
                self.wear[pump.pk] = wear.Wear(
                    hours_a_day=self.dice.uniform(7.0, 17.0),
                    life_h=0.8 * model.life_h * self.dice.lognormvariate(0.0, 0.25),
                )
                rows.append(pump)
        return rows

    def at(self, when: datetime, what: Callable[[datetime], None]) -> None:
        heapq.heappush(self.calendar, (when, next(self._ticket), what))
