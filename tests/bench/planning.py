"""20,000 open demand lines of 20 sites planned in one run: `python -m tests.bench.planning`.

It makes a database of its own, with servers of its own unless DATABASE_URL and REDIS_URL name
some, and removes it again. Nothing is planned beforehand: the run reserves, sends, orders and
writes down why for every line. It is done for 2,000 lines of 500 parts and for 20,000 lines of
5,000 parts, so that a part is wanted equally often, and for 2,000 lines of 5,000 parts. Each is
measured in a process of its own, which tells its peak memory. The last line is the time for a line
at 20,000 over the time for a line at 2,000, of equally busy parts.
"""

from __future__ import annotations

import json
import math
import os
import random
import resource
import subprocess
import sys
import time
from collections import Counter
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import pairwise

os.environ["DJANGO_SETTINGS_MODULE"] = "config.settings_test"
os.environ["WEARBOOK_ENV"] = "test"

SEED = 20_261_126
SITES = 20
SUPPLIERS = 40
TODAY = date(2026, 11, 26)
NOW = datetime(2026, 11, 26, 6, 0, tzinfo=UTC)
# (lines, parts): the first and the last are compared.
SIZES = ((2_000, 500), (2_000, 5_000), (20_000, 5_000))
BATCH = 2_000


@dataclass(frozen=True)
class Measured:
    """What the measuring process tells. Times in seconds, memory in MB of 10^6 bytes.

    seconds: by the clock, with the database; cpu_s: of the processor in this process alone, the
    same on a busy machine; rule_alone_s: likewise.
    """

    lines: int
    seconds: float
    cpu_s: float
    peak_mb: float
    rule_alone_s: float
    statements: int
    changed_again: int
    states: dict[str, int]
    differences: int


# --- The data -----------------------------------------------------------------------------------


def build(lines: int, parts: int) -> None:
    """Stores, catalogue, stock with its ledger, orders under way, and demands nobody looked at."""
    dice = random.Random(SEED)
    from parts.models import Store
    from tests import factories

    sites = [factories.make_site(name=f"Site {n:02d}") for n in range(SITES)]
    stores = Store.objects.bulk_create(
        Store(
            site=site,
            name=f"{site} store",
            latitude_deg=None if n == SITES - 1 else Decimal(str(round(dice.uniform(48, 55), 5))),
            longitude_deg=None if n == SITES - 1 else Decimal(str(round(dice.uniform(2, 20), 5))),
        )
        for n, site in enumerate(sites)
    )
    part_rows = _catalogue(dice, parts)
    _stock(dice, stores, part_rows)
    _under_way(dice, stores, part_rows)
    _demands(dice, sites, part_rows, lines)


def _catalogue(dice: random.Random, count: int) -> list:
    from django.utils import timezone

    from fleet.models import User
    from parts.models import Alternative, Part, Supplier, SupplierPart

    parts = Part.objects.bulk_create(
        (
            Part(
                number=f"SK-{n:05d}",
                name=f"Seal kit {n}",
                shelf_life_months=60 if n % 20 == 0 else None,
            )
            for n in range(count)
        ),
        batch_size=BATCH,
    )
    old = [(part, after) for n, (part, after) in enumerate(pairwise(parts)) if n % 12 == 5]
    for part, after in old:
        part.superseded_by = after
    Part.objects.bulk_update([part for part, _ in old], ["superseded_by"], batch_size=BATCH)
    who = User.objects.create(username="bench", full_name="Bench")
    Alternative.objects.bulk_create(
        Alternative(
            part=parts[n], other=parts[n + 1], why="Same seal", added_by=who,
            added_at=timezone.now(),
        )
        for n in range(0, count - 1, 12)
    )  # fmt: skip
    suppliers = Supplier.objects.bulk_create(
        Supplier(name=f"Supplier {n:02d}") for n in range(SUPPLIERS)
    )
    SupplierPart.objects.bulk_create(
        (
            SupplierPart(
                supplier=dice.choice(suppliers),
                part=part,
                price=Decimal(dice.randint(100, 90_000)) / 100,
                pack_size=dice.choice([1, 1, 1, 5, 10]),
                minimum_quantity=dice.choice([1, 1, 4]),
                lead_days=dice.randint(3, 60),
                preferred=True,
            )
            for part in parts
            if dice.random() < 0.95
        ),
        batch_size=BATCH,
    )
    return parts


def _stock(dice: random.Random, stores: list, parts: list) -> None:
    from parts.models import Batch, BatchLevel, Holding, Movement, StockLevel

    levels, movements, batch_levels, holdings = [], [], [], []
    batches = {
        part.pk: Batch(
            part=part, code="B1", expires_on=TODAY + timedelta(days=dice.choice([-5, 400]))
        )
        for part in parts
        if part.ages
    }
    Batch.objects.bulk_create(batches.values(), batch_size=BATCH)
    for part in parts:
        for store in dice.sample(stores, 8):
            on_hand = dice.choice([0, 1, 1, 2, 3, 4])
            levels.append(
                StockLevel(store=store, part=part, bin=f"A{dice.randint(1, 99)}", on_hand=on_hand)
            )
            batch = batches.get(part.pk)
            if on_hand:
                movements.append(
                    Movement(
                        store=store, part=part, batch=batch, kind="receipt",
                        on_hand_change=on_hand, reserved_change=0, at=NOW,
                    )
                )  # fmt: skip
            if on_hand and batch is not None:
                batch_levels.append(BatchLevel(store=store, batch=batch, on_hand=on_hand))
            if dice.random() < 0.15:
                holdings.append(
                    Holding(
                        store=store, part=part, reorder_point=dice.randint(0, 1),
                        order_up_to=dice.randint(2, 4), keep_back=dice.randint(0, 1), chosen_at=NOW,
                    )
                )  # fmt: skip
    StockLevel.objects.bulk_create(levels, batch_size=BATCH)
    Movement.objects.bulk_create(movements, batch_size=BATCH)
    BatchLevel.objects.bulk_create(batch_levels, batch_size=BATCH)
    Holding.objects.bulk_create(holdings, batch_size=BATCH)


def _under_way(dice: random.Random, stores: list, parts: list) -> None:
    from fleet.models import User
    from parts.models import Order, OrderLine, SupplierPart

    buyer = User.objects.first()
    offers = list(SupplierPart.objects.all())
    orders: dict[tuple[int, int], Order] = {}
    wanted: dict[tuple[int, int, int], int] = {}
    for _ in range(len(parts)):
        store, offer = dice.choice(stores), dice.choice(offers)
        key = (store.pk, offer.supplier_id)
        if key not in orders:
            orders[key] = Order(
                store=store, supplier_id=offer.supplier_id, currency="EUR", state="sent",
                raised_at=NOW, approved_at=NOW, approved_by=buyer, sent_at=NOW, sent_by=buyer,
            )  # fmt: skip
        wanted[(*key, offer.part_id)] = dice.randint(1, 5)
    Order.objects.bulk_create(orders.values(), batch_size=BATCH)
    OrderLine.objects.bulk_create(
        (
            OrderLine(
                order=orders[store, supplier], part_id=part, quantity=quantity, unit_price=1,
                promised_on=TODAY + timedelta(days=dice.randint(-4, 40)),
            )
            for (store, supplier, part), quantity in wanted.items()
        ),
        batch_size=BATCH,
    )  # fmt: skip


def _demands(dice: random.Random, sites: list, parts: list, lines: int) -> None:
    from django.db.models import F

    from fleet.models import Pump
    from fleet.vocabulary import COMPONENTS, PumpFamily
    from inspections.models import ComponentDisposition, Inspection
    from parts.models import Demand, Need
    from tests import factories

    model = factories.make_model()
    sheet = factories.make_issued_sheet(model)
    components = [c.value for c in COMPONENTS[PumpFamily(model.family)]]
    people = [factories.make_person(site) for site in sites]
    pump = factories.make_pump(sites[0], model)
    first = factories.make_inspection(people[0], pump, isolated=False, nameplate=False)
    pumps, inspections = [], []
    for n in range(-(-lines // len(components))):
        of = n % SITES
        pumps.append(_copy(pump, tag=f"HP-{n}", serial=f"N{n}", site=sites[of]))
    Pump.objects.bulk_create(pumps, batch_size=BATCH)
    for n, row in enumerate(pumps):
        inspections.append(
            _copy(first, site=row.site, pump=row, opened_by=people[n % SITES], sheet=sheet)
        )
    Inspection.objects.bulk_create(inspections, batch_size=BATCH)
    Need.objects.bulk_create(
        (
            Need(
                inspection=row,
                needed_on=TODAY + timedelta(days=dice.randint(-2, 45)),
                set_at=NOW,
            )
            for row in inspections
            if dice.random() < 0.7
        ),
        batch_size=BATCH,
    )
    decided = [
        ComponentDisposition(
            inspection=row, component=component, proposed="replace", decided="replace",
            reasons=[], decided_by=row.opened_by, decided_at=NOW,
        )
        for row in inspections
        for component in components
    ][:lines]  # fmt: skip
    ComponentDisposition.objects.bulk_create(decided, batch_size=BATCH)
    # What is decided is written while the inspection is open; then it is signed.
    Inspection.objects.filter(pk__in=[row.pk for row in inspections]).update(
        state="signed", signed_by=F("opened_by"), signed_at=NOW
    )
    Demand.objects.bulk_create(
        (
            Demand(
                site=row.inspection.site,
                inspection=row.inspection,
                disposition=row,
                # Some parts are wanted ten times as often as others.
                part=parts[int(len(parts) * dice.random() ** 2)],
                quantity=dice.choice([1, 1, 1, 2, 2, 4]),
                alternatives_allowed=dice.random() < 0.5,
                state="short",
                why="Just raised.",
                raised_at=NOW - timedelta(minutes=dice.randint(1, 50_000)),
            )
            for row in decided
        ),
        batch_size=BATCH,
    )


def _copy(row, **fields):
    values = {
        field.attname: getattr(row, field.attname)
        for field in row._meta.concrete_fields
        if not field.primary_key and field.name not in fields
    }
    return type(row)(**values, **fields)


# --- Measuring, in a process of its own ---------------------------------------------------------


def measure() -> Measured:
    from django.db import connection, transaction

    from parts.models import Demand
    from parts.rules.planning import plan
    from parts.services import ledger, planning
    from parts.services.planning_rows import families_of, lock_rows, situation_of

    statements = Counter()
    # The first statement of a process is slow: imports, a connection.
    planning.plan_parts(part_ids=[0])
    Demand.objects.count()

    def count(execute, sql, params, many, context):
        statements["all"] += 1
        return execute(sql, params, many, context)

    with connection.execute_wrapper(count):
        started, cpu = time.perf_counter(), time.process_time()
        done = planning.plan_all(now=NOW)
        seconds, cpu = time.perf_counter() - started, time.process_time() - cpu
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
    states = Counter(Demand.objects.values_list("state", flat=True))
    again = planning.plan_all(now=NOW)
    # The rule alone, on all of it at once, from the same start as the run.
    with transaction.atomic():
        whole = {part for family in families_of(planning._all_parts()) for part in family}
        rows = lock_rows(whole, TODAY)
        situation = fresh(situation_of(rows))
    started = time.process_time()
    plan(situation)
    alone = time.process_time() - started
    return Measured(
        done.lines, seconds, cpu, peak_mb, alone, statements["all"], again.changed, dict(states),
        len(ledger.check_ledger()),
    )  # fmt: skip


def fresh(situation):
    """The same with nothing arranged yet."""
    from dataclasses import replace

    from parts.rules.supply import Source, SourceKind

    return replace(
        situation,
        transfers=(),
        lines=[
            replace(line, source=Source(SourceKind.NONE, line.part)) for line in situation.lines
        ],
    )


def _measured_apart(database: str) -> Measured:
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.planning", "--measure", database],
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    return Measured(**json.loads(done.stdout.splitlines()[-1]))


def main() -> None:
    import django

    if sys.argv[1:2] == ["--measure"]:
        django.setup()
        from django.db import connection

        connection.settings_dict["NAME"] = sys.argv[2]
        print(json.dumps(asdict(measure())))
        return
    import config.pytest_servers  # noqa: F401  # starts what no address is given for

    django.setup()
    from django.core.management import call_command
    from django.db import connection

    usual = connection.settings_dict["NAME"]
    made = connection.creation.create_test_db(verbosity=0, autoclobber=True, serialize=False)
    found = []
    try:
        for lines, parts in SIZES:
            call_command("flush", verbosity=0, interactive=False)
            build(lines, parts)
            with connection.cursor() as cursor:
                cursor.execute("ANALYZE")
            connection.close()
            found.append(_measured_apart(made))
    finally:
        connection.creation.destroy_test_db(usual, verbosity=0)
    report(found)


def report(found: list[Measured]) -> None:
    print(f"{SITES} sites, seed {SEED}; one full run each, nothing planned before")
    print(
        f"{'lines':>7} {'parts':>6} {'seconds':>8} {'lines/s':>8} {'ms a line':>10}"
        f" {'own CPU s':>10} {'peak MB':>8} {'statements':>11} {'rule alone, CPU s':>18}"
    )
    for (_lines, parts), m in zip(SIZES, found, strict=True):
        print(
            f"{m.lines:>7} {parts:>6} {m.seconds:>8.2f} {m.lines / m.seconds:>8.0f}"
            f" {m.seconds / m.lines * 1000:>10.3f} {m.cpu_s:>10.2f}"
            f" {m.peak_mb:>8.0f} {m.statements:>11} {m.rule_alone_s:>18.2f}"
        )
    for m in found:
        print(f"{m.lines:>7} lines: " + ", ".join(f"{n} {s}" for s, n in sorted(m.states.items())))
    faults = [
        f"{m.lines} lines: {m.changed_again} changed when planned again, {m.differences} sums wrong"
        for m in found
        if m.changed_again or m.differences
    ]
    if faults:
        sys.exit("\n".join(faults))
    print("planned again, nothing changed; every sum is that of the ledger")
    small, large = found[0], found[-1]
    ratio = (large.seconds / large.lines) / (small.seconds / small.lines)
    alone = (large.rule_alone_s / large.lines) / (small.rule_alone_s / small.lines)
    bound = math.log(large.lines) / math.log(small.lines)
    verdict = "within" if ratio <= bound else "more than"
    print(
        f"n log n allows a ratio of {bound:.2f}: the run is {verdict} that; rule alone {alone:.2f}"
    )
    print(f"ratio: {ratio:.2f}")


if __name__ == "__main__":
    main()
