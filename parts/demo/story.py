"""Two years of the scenario, played through the same services that people use."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from enum import StrEnum

from fleet.lifecycle import PumpStatus
from fleet.limits import JudgedBy
from fleet.models import Pump, SheetLine, Site, User
from fleet.services import pumps
from fleet.units import LengthUnit
from fleet.vocabulary import COMPONENTS, Component, InstrumentKind, PumpFamily
from inspections.checks import advice_for
from inspections.events import InspectionSigned
from inspections.models import ComponentDisposition, Inspection
from inspections.rules.dispositions import Disposition
from inspections.rules.findings import WORDS, Cause, Severity, Word
from inspections.rules.lifecycle import InspectionState, Reason
from inspections.rules.verdicts import Outcome
from inspections.services import (
    dispositions,
    findings,
    opening,
    readings,
    signing,
)
from parts.demo import scenario, shop, supply, wear
from parts.demo.ground import Ground, Instruments, Say
from parts.models import Demand
from parts.pulling_selectors import usable_lots
from parts.rules.lifecycle import WAITING, DemandState
from parts.services import demands, money, pulling, stock

DAYS = 730
# The last days are told scene by scene, so that every state is there to look at today.
CLOSING_DAYS = 12


class Scene(StrEnum):
    """Where one of the last strip-downs stands today."""

    HALF_MEASURED = "half_measured"
    NOT_SIGNED = "not_signed"
    IN_QUEUE = "in_queue"
    NOT_PULLED = "not_pulled"
    NOT_FITTED = "not_fitted"


CLOSING = (
    *[Scene.IN_QUEUE] * 3,
    Scene.HALF_MEASURED,
    Scene.NOT_SIGNED,
    *[Scene.NOT_PULLED] * 7,
    *[Scene.NOT_FITTED] * 3,
)


class Story(Ground):
    """Visits to the benches, and what follows from each."""

    def play(self, until: datetime) -> None:
        done = 0
        while self.calendar and self.calendar[0][0] <= until:
            when, _, what = heapq.heappop(self.calendar)
            what(when)
            done += 1
            if done % 50 == 0:
                self.say(f"Work at the benches: {when:%B %Y}")

    def plan_visits(self, rows: list[Pump]) -> None:
        for place, pump in enumerate(rows):
            first = self.start + timedelta(days=8 + place * 7, hours=8)
            self.at(first, self._visit(pump.pk))

    def _visit(self, pump_id: int, scene: Scene | None = None) -> Callable[[datetime], None]:
        def visit(at: datetime) -> None:
            pump = Pump.objects.select_related("site", "model").get(pk=pump_id)
            if PumpStatus(pump.status) is not PumpStatus.IN_SERVICE:
                return
            if scene is None and (self.end - at).days < CLOSING_DAYS:
                return
            hours = self._read_hours(pump, at)
            bench = scenario.BENCHES[pump.site.code]
            # The first named is the trainee where a site has one.
            chosen = bench.technicians[0] if scene else self.dice.choice(bench.technicians)
            technician = self.people[chosen]
            reason = Reason.BREAKDOWN if self.dice.random() < 0.12 else Reason.PLANNED
            inspection = self._inspect(pump, technician, reason, hours, at, scene)
            if scene not in (Scene.HALF_MEASURED, Scene.NOT_SIGNED):
                self._finish(inspection, technician, at + timedelta(hours=3), scene)

        return visit

    def plan_closing(self) -> None:
        """The most worn pumps still running are opened in the last days."""
        by_wear = sorted(
            Pump.objects.filter(status=PumpStatus.IN_SERVICE.value).select_related("site"),
            key=lambda pump: (
                float(pump.running_h)
                - self.wear[pump.pk].renewed_at_h.get(Component.WEAR_PLATE_FRONT.value, 0.0)
                - self.wear[pump.pk].life_h
            ),
            reverse=True,
        )
        with_trainee = [p for p in by_wear if p.site.code != "harbour-yard"]
        for place, scene in enumerate(CLOSING):
            among = with_trainee if scene is Scene.IN_QUEUE else by_wear
            if scene in (Scene.HALF_MEASURED, Scene.NOT_SIGNED):
                # What lies open on the bench is the pump most people know.
                among = [p for p in by_wear if p.tag.startswith("GP") and p in with_trainee]
            elif scene is Scene.NOT_PULLED and place % 2:
                # The largest store has several lists to walk together.
                among = [p for p in by_wear if p.site.code == "quarry-north"]
            pump = next(p for p in among if p in by_wear)
            by_wear.remove(pump)
            days = {Scene.IN_QUEUE: 2, Scene.HALF_MEASURED: 1, Scene.NOT_SIGNED: 1}.get(scene, 7)
            when = self.end - timedelta(days=days) + timedelta(hours=3, minutes=20 * place)
            self.at(when, self._visit(pump.pk, scene))

    def run_short(self) -> None:
        """Spoilt seal kits leave two shelves empty; the third site still has some."""
        for code in ("quarry-north", "harbour-yard"):
            store = self.stores[code]
            level = store.levels.get(part=self.parts["G2-SEAL-KIT"])
            free = level.available
            for lot in usable_lots(level, self.end.date()):
                gone = min(free, lot.quantity)
                free -= gone
                if gone > 0:
                    stock.scrap(
                        actor=self.people[scenario.BENCHES[code].clerk],
                        store=store,
                        part=level.part,
                        quantity=gone,
                        batch=lot.batch,
                        reason="Bags torn, seals gone hard",
                        now=self.end - timedelta(days=CLOSING_DAYS - 2),
                    )

    def _read_hours(self, pump: Pump, at: datetime) -> float:
        days = (at - pump.hours_read_at).total_seconds() / 86_400
        hours = pump.meter_h + Decimal(days * self.wear[pump.pk].hours_a_day).quantize(Decimal(1))
        read = pumps.record_hours(
            actor=self.people["gateway"],
            pump=pump,
            meter_h=hours,
            read_at=at,
            now=at,
        )
        return float(read.running_h)

    def _inspect(
        self,
        pump: Pump,
        technician: User,
        reason: Reason,
        hours: float,
        at: datetime,
        scene: Scene | None,
    ) -> Inspection:
        complaint = self.dice.choice(("Slow under load", "Noisy", "Oil at the shaft seal"))
        inspection = opening.open_inspection(
            actor=technician,
            pump=pump,
            reason=reason,
            complaint=complaint if reason is Reason.BREAKDOWN else "",
            now=at,
        )
        opening.acknowledge_cautions(actor=technician, inspection=inspection, now=at)
        opening.confirm_isolation(
            actor=technician,
            inspection=inspection,
            lock_number=f"L{self.dice.randrange(10, 60)}",
            isolated_at=at - timedelta(minutes=50),
            proved_zero_how="Gauge at 0 bar, start tried, load propped",
            proved_zero_at=at - timedelta(minutes=30),
            now=at,
        )
        misread = self.dice.random() < 0.04
        opening.record_nameplate(
            actor=technician,
            inspection=inspection,
            maker=pump.model.maker,
            designation=pump.model.designation,
            serial=pump.serial[:-1] + "8" if misread else pump.serial,
            displacement_cm3=pump.model.displacement_cm3,
            rotation=pump.model.rotation,
            now=at,
        )
        half = scene is Scene.HALF_MEASURED
        self._measure(inspection, technician, hours, at + timedelta(minutes=20), half=half)
        if half:
            return inspection
        self._look(inspection, technician, at + timedelta(minutes=80))
        return inspection

    def _lines(self, sheet_id: int) -> list[SheetLine]:
        if sheet_id not in self.lines:
            self.lines[sheet_id] = list(
                SheetLine.objects.filter(sheet_id=sheet_id)
                .exclude(judged_by=JudgedBy.NOT_APPLICABLE.value)
                # Taper and out of parallel are computed from what another check reads.
                .filter(readings_from="")
                .select_related("sheet")
            )
        return self.lines[sheet_id]

    def _measure(
        self, inspection: Inspection, technician: User, hours: float, at: datetime, *, half: bool
    ) -> None:
        tools = self.instruments[inspection.site.code]
        state = self.wear[inspection.pump_id]
        lines = self._lines(inspection.sheet_id)
        for line in lines[: len(lines) // 2] if half else lines:
            fraction = state.fraction(line, hours, self.dice)
            for place, position in enumerate(line.positions):
                true = wear.true_mm(line, fraction, self.dice)
                at += timedelta(seconds=75)
                if line.instrument_kind == InstrumentKind.FEELER.value:
                    self._by_leaf(inspection, line, position, true, tools, technician, at)
                    continue
                shown = {"": true}
                if line.terms:
                    shown = wear.figures_for(line, true)
                elif line.judged_by == JudgedBy.SPREAD.value:
                    shown = {"": wear.spread_for(true, place, len(line.positions))}
                for term, value in shown.items():
                    readings.record_value(
                        actor=technician,
                        inspection=inspection,
                        line=line.pk,
                        position=position,
                        term=term,
                        instrument=tools.by_kind[line.instrument_kind],
                        value=value,
                        unit=LengthUnit.MM,
                        now=at,
                    )

    def _by_leaf(
        self,
        inspection: Inspection,
        line: SheetLine,
        position: str,
        true: Decimal,
        tools: Instruments,
        technician: User,
        at: datetime,
    ) -> None:
        """With the coarse set first; where that leaves the limit inside, as the advice says."""
        for leaf_set in (tools.leaves, tools.fine):
            unit = LengthUnit(leaf_set.unit)
            tries = wear.leaves_for(true, leaf_set.leaves, unit)
            while True:
                reading = readings.record_tries(
                    actor=technician,
                    inspection=inspection,
                    line=line.pk,
                    position=position,
                    instrument=leaf_set,
                    tries=tries,
                    now=at,
                )
                advice = advice_for(line, position, reading, leaf_set)
                if advice is None or advice.kind == "decided":
                    return
                if advice.kind != "try":
                    break
                tries.append(wear.try_stack(true, advice.leaves, unit))

    def _look(self, inspection: Inspection, technician: User, at: datetime) -> None:
        family = PumpFamily(inspection.pump.model.family)
        out = {v.line.component for v in inspection.verdicts.select_related("line")
               if v.outcome == Outcome.OUT.value}  # fmt: skip
        for component in COMPONENTS[family]:
            word, severity, cause = self._seen(component, worn=component.value in out)
            findings.record_finding(
                actor=technician,
                inspection=inspection,
                component=component.value,
                word=word,
                severity=severity,
                cause=cause,
                now=at,
            )

    def _seen(self, component: Component, *, worn: bool) -> tuple[Word, Severity, Cause | None]:
        roll = self.dice.random()
        if component is Component.SEALS and roll < 0.5:
            return self.dice.choice(
                (
                    (Word.HARDENED, Severity.LIGHT, Cause.OVERHEATING),
                    (Word.COMPRESSION_SET, Severity.LIGHT, None),
                    (Word.NICKED, Severity.LIGHT, Cause.FITTING_DAMAGE),
                )
            )
        if component is Component.SEALS:
            return Word.NO_DEFECT, Severity.NONE, None
        if worn or roll < 0.12:
            severity = Severity.LIGHT if worn else Severity.POLISH
            word = Word.SCORED if component in WORDS[Word.SCORED].components else Word.POLISHED
            return word, severity, Cause.CONTAMINATION if worn else None
        return Word.NO_DEFECT, Severity.NONE, None

    def _finish(
        self, inspection: Inspection, technician: User, at: datetime, scene: Scene | None
    ) -> None:
        bench = scenario.BENCHES[inspection.site.code]
        competent = self.people[bench.competent]
        undecided = inspection.verdicts.filter(outcome=Outcome.UNDECIDED.value)
        for verdict in undecided:
            readings.waive(
                actor=competent,
                inspection=inspection,
                line=verdict.line_id,
                reason="The limit lies between two leaves; part is measured again next time.",
                now=at,
            )
        rows = dispositions.propose_all(actor=technician, inspection=inspection, now=at)
        self._perhaps_overrule(inspection, competent, rows, at)
        inspection.refresh_from_db()
        row = signing.sign(actor=technician, inspection=inspection, now=at)
        if InspectionState(row.state) is InspectionState.SIGNED:
            self._signed(row, at, scene)
            return
        if scene is Scene.IN_QUEUE:
            return
        later = at + timedelta(hours=self.dice.randrange(2, 30))
        if self.dice.random() < 0.6:
            shop.measure_again(actor=competent, inspection=row, dice=self.dice, at=later)
        row = signing.countersign(actor=competent, inspection=row, now=later)
        self._signed(row, later, scene)

    def _perhaps_overrule(
        self,
        inspection: Inspection,
        competent: User,
        rows: list[ComponentDisposition],
        at: datetime,
    ) -> None:
        """Now and then worn parts go back for a while: the pump then runs out of limits."""
        replaced = [
            row
            for row in rows
            if row.component != Component.SEALS.value and Disposition(row.decided).renews
        ]
        if not replaced or self.dice.random() > 0.3:
            return
        for row in replaced:
            dispositions.overrule(
                actor=competent,
                inspection=inspection,
                component=row.component,
                decided=Disposition.REUSE,
                reason="No parts before the shutdown: back in service at reduced pressure.",
                now=at,
            )

    def _signed(self, inspection: Inspection, at: datetime, scene: Scene | None) -> None:
        event = InspectionSigned(
            inspection_id=inspection.pk,
            pump_id=inspection.pump_id,
            site_id=inspection.site_id,
            supersedes_id=inspection.supersedes_id,
        )
        # As the outbox would, but on the story's date; its own delivery later finds it done.
        demands.raise_for_signed(event=event, now=at)
        if scene is not Scene.NOT_PULLED:
            later = at + timedelta(days=self.dice.randrange(1, 4), hours=3)
            self.at(later, self._pull(inspection.pk, scene))

    def _pull(self, inspection_id: int, scene: Scene | None) -> Callable[[datetime], None]:
        def pull(at: datetime) -> None:
            inspection = Inspection.objects.select_related("site", "pump").get(pk=inspection_id)
            code = inspection.site.code
            clerk = self.people[scenario.BENCHES[code].clerk]
            waiting = list(
                Demand.objects.filter(inspection=inspection)
                .live()
                .select_related("part", "supplied_part", "site")
                .order_by("pk")
            )
            for demand in waiting:
                if demand.state == DemandState.RESERVED.value and demand.part is not None:
                    pulled = demand.supplied_part or demand.part
                    pulling.pull(
                        actor=clerk,
                        demand=demand,
                        scanned_number=pulled.number,
                        batch_code=supply.batch_to_pull(demand.site_id, pulled.pk, at),
                        quantity=demand.quantity,
                        confirmed=True,
                        now=at,
                    )
            if any(d.state in WAITING and d.part for d in waiting):
                # What is missing comes with a transfer or an order; then once more.
                self.at(at + timedelta(days=5), self._pull(inspection_id, scene))
                return
            if scene is Scene.NOT_FITTED:
                return
            back = at + timedelta(days=self.dice.randrange(1, 4))
            self.at(back, self._refit(inspection.pump_id, inspection_id))

        return pull

    def _refit(self, pump_id: int, inspection_id: int) -> Callable[[datetime], None]:
        def refit(at: datetime) -> None:
            pump = Pump.objects.select_related("site", "model").get(pk=pump_id)
            if PumpStatus(pump.status) is not PumpStatus.READY_TO_REBUILD:
                return
            money.record_labour(
                actor=self.people["supervisor"],
                inspection=Inspection.objects.get(pk=inspection_id),
                hours=Decimal(self.dice.randrange(6, 24)) / 2,
                what="Rebuilt and bench-tested",
                now=at,
            )
            pumps.set_status(
                actor=self.people["supervisor"],
                pump=pump,
                status=PumpStatus.IN_SERVICE.value,
                why="Rebuilt, bench-tested and fitted",
                now=at,
            )
            renewed = Inspection.objects.get(pk=inspection_id).dispositions.all()
            for row in renewed:
                if Disposition(row.decided).renews:
                    self.wear[pump_id].renewed_at_h[row.component] = float(pump.running_h)
            due = at + timedelta(days=self.dice.randrange(250, 360))
            pump.refresh_from_db()
            pumps.change_pump(
                actor=self.people["supervisor"],
                pump=pump,
                # Some are let slide: they are overdue today.
                next_inspection_on=(due - timedelta(days=self.dice.choice((0, 0, 0, 40)))).date(),
            )
            self.at(due.replace(hour=8), self._visit(pump_id))

        return refit

    def move_some(self, rows: list[Pump]) -> None:
        for place, pump in enumerate(rows[::17]):
            when = self.start + timedelta(days=330 + 60 * place, hours=10)
            self.at(when, self._move(pump.pk, place))

    def _move(self, pump_id: int, place: int) -> Callable[[datetime], None]:
        def move(at: datetime) -> None:
            pump = Pump.objects.select_related("site").get(pk=pump_id)
            others = [s for s in self.sites.values() if s.pk != pump.site_id]
            if PumpStatus(pump.status) is PumpStatus.IN_SERVICE:
                pumps.move_pump(
                    actor=self.people["supervisor"],
                    pump=pump,
                    to_site=others[place % 2],
                    why="Machine moved with the contract",
                    now=at,
                )

        return move


def tell(today: datetime, say: Say, *, days: int = DAYS, share: float = 1.0) -> Iterator[str]:
    """Play the scenario up to `today`, and say at the end what is there.

    `days` and `share` (of the pumps) shorten it for a test. The same arguments tell the same story.
    """
    story = Story(today, say, days=days, share=share)
    story.found()
    story.equip()
    story.list_models()
    stores = supply.Supply(story)
    stores.settle()
    stores.list_suppliers()
    story.stock_up()
    rows = story.register_pumps()
    story.plan_visits(rows)
    story.move_some(rows)
    stores.plan()
    shop.plan(story, rule_at=story.end - timedelta(days=CLOSING_DAYS + 8))
    story.play(story.end - timedelta(days=CLOSING_DAYS))
    story.run_short()
    story.plan_closing()
    story.play(story.end)
    stores.close(story.end)
    yield f"{Pump.objects.count()} pumps at {Site.objects.count()} sites"
    yield f"{Inspection.objects.count()} inspections, {Demand.objects.count()} demands"
