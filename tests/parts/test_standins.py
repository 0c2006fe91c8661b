"""Old numbers, alternatives, and which number finds which part."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal

import pytest
from django.db import connection

from fleet.faults import Conflict, Fault, NotAllowed, Stale
from fleet.plumbing.models import Event
from parts.catalogue_selectors import find_part, newest, newest_of, older_than
from parts.events import SupplyChanged
from parts.models import Alternative, Part, Supplier, SupplierPart
from parts.selectors import catalogue as search
from parts.services import catalogue, standins
from tests.parts.build import Yard, make_part, make_yard

pytestmark = pytest.mark.django_db


def supersede(yard: Yard, part: Part, by: Part) -> Part:
    return standins.supersede(actor=yard.clerk, part=part, by=by, version=None)


def offer(part: Part, number: str, supplier: str = "Ostermoor Spares") -> None:
    SupplierPart.objects.create(
        supplier=Supplier.objects.get_or_create(name=supplier)[0],
        part=part,
        supplier_number=number,
        price=Decimal(1),
        lead_days=9,
    )


def planned_again() -> set[int]:
    """Ids of all parts whose supply is to be planned again."""
    told = Event.objects.filter(name=SupplyChanged.name).values_list("payload", flat=True)
    return {part_id for payload in told for part_id in payload["part_ids"]}


# --- Numbers ------------------------------------------------------------------------------------


def test_a_part_is_found_by_each_of_its_numbers() -> None:
    yard = make_yard()
    part = make_part(yard, number="OS-4711", own_number="70 100", maker="Ostermoor")
    make_part(yard, number="OS-4712", own_number="70 200")
    offer(part, "h-99/4")
    for typed in ("os-4711", " OS-4711 ", "70  100", "H-99/4"):
        assert find_part(typed) == part, typed
        assert list(search(typed)) == [part], typed
    for typed in ("", "OS-47", "70", "nothing"):
        assert find_part(typed) is None, typed


def test_the_makers_number_counts_before_a_suppliers() -> None:
    yard = make_yard()
    part, other = make_part(yard, number="A-1"), make_part(yard, number="B-1")
    offer(other, "A-1")
    assert find_part("A-1") == part


def test_a_suppliers_number_of_two_parts_finds_neither() -> None:
    yard = make_yard()
    part, other = make_part(yard), make_part(yard)
    offer(part, "77")
    offer(part, "77", "Second supplier")
    assert find_part("77") == part
    offer(other, "77", "Third supplier")
    assert find_part("77") is None


def test_one_number_does_not_mean_two_parts() -> None:
    yard = make_yard()
    part = make_part(yard, number="A-1", own_number="700")
    for fields in ({"own_number": "700"}, {"own_number": "a-1"}, {"number": "700"}):
        with pytest.raises(Conflict) as refused:
            make_part(yard, **fields)
        assert refused.value.field == next(iter(fields))
    other = make_part(yard)
    with pytest.raises(Conflict):
        catalogue.change_part(actor=yard.clerk, part=other, version=None, own_number="700")
    # Its own two numbers may be one.
    same = catalogue.change_part(actor=yard.clerk, part=part, version=None, own_number="A-1")
    assert same.own_number == "A-1"


# --- Supersession -------------------------------------------------------------------------------


def test_an_old_number_is_found_and_leads_to_the_newest() -> None:
    yard = make_yard()
    first, second, third = (make_part(yard, number=f"N-{n}") for n in (1, 2, 3))
    assert newest(first) == first
    supersede(yard, first, second)
    row = supersede(yard, second, third)
    assert (row.superseded_by, row.version) == (third, 2)
    found = find_part("n-1")
    assert found is not None
    assert (found, newest(found)) == (first, third)
    assert newest_of([first, second, third]) == {first.pk: third, second.pk: third}
    assert older_than(third) == [first, second]
    assert older_than(second) == [first]
    assert planned_again() == {first.pk, second.pk, third.pk}


def test_a_loop_is_refused_however_long() -> None:
    yard = make_yard()
    first, second, third = (make_part(yard) for _ in range(3))
    supersede(yard, first, second)
    supersede(yard, second, third)
    for old, new in ((third, first), (third, second), (third, third)):
        with pytest.raises(Conflict) as refused:
            supersede(yard, old, new)
        assert refused.value.field == "by"
    third.refresh_from_db()
    assert third.superseded_by is None


def test_a_part_is_superseded_once_and_the_same_again_changes_nothing() -> None:
    yard = make_yard()
    old, new, other = (make_part(yard) for _ in range(3))
    supersede(yard, old, new)
    assert supersede(yard, old, new).version == 2
    with pytest.raises(Conflict) as refused:
        supersede(yard, old, other)
    assert refused.value.code == "superseded"


def test_a_supersession_is_taken_back() -> None:
    yard = make_yard()
    old, new = make_part(yard), make_part(yard)
    supersede(yard, old, new)
    Event.objects.all().delete()
    with pytest.raises(Stale):
        standins.take_back_supersession(actor=yard.clerk, part=old, version=1)
    row = standins.take_back_supersession(actor=yard.clerk, part=old, version=2)
    assert (row.superseded_by, row.version) == (None, 3)
    assert planned_again() == {old.pk, new.pk}
    with pytest.raises(Conflict):
        standins.take_back_supersession(actor=yard.clerk, part=old, version=None)


def test_only_what_is_counted_alike_stands_in() -> None:
    yard = make_yard()
    kit, ring = make_part(yard), make_part(yard, is_kit=False)
    cord = make_part(yard, is_kit=False, unit="metre")
    for part, other in ((ring, kit), (kit, ring), (ring, cord)):
        with pytest.raises(Conflict) as refused:
            supersede(yard, part, other)
        assert refused.value.code == "unlike"
        with pytest.raises(Conflict):
            standins.add_alternative(actor=yard.clerk, part=part, other=other, why="Same")
    assert not Alternative.objects.exists()


@pytest.mark.parametrize("change", [{"unit": "metre"}, {"is_kit": True}])
def test_what_stands_in_stays_counted_alike(change: dict[str, object]) -> None:
    yard = make_yard()
    old, new, third, fourth = (make_part(yard, is_kit=False) for _ in range(4))
    supersede(yard, old, new)
    standins.add_alternative(actor=yard.clerk, part=third, other=fourth, why="Same size")
    for part in (old, new, third, fourth):
        with pytest.raises(Conflict) as refused:
            catalogue.change_part(actor=yard.clerk, part=part, version=None, **change)
        assert refused.value.code == "stands_in"
    free = make_part(yard, is_kit=False)
    assert catalogue.change_part(actor=yard.clerk, part=free, version=None, **change).version == 2


# --- Alternatives -------------------------------------------------------------------------------


def test_an_alternative_holds_one_way_and_has_a_reason() -> None:
    yard = make_yard()
    part, other = make_part(yard), make_part(yard)
    row = standins.add_alternative(
        actor=yard.clerk, part=part, other=other, why=" Bulletin OG-115 "
    )
    assert (row.why, row.added_by) == ("Bulletin OG-115", yard.clerk)
    assert list(part.alternatives.all()) == [row]
    assert not other.alternatives.exists()
    assert planned_again() == {part.pk, other.pk}
    with pytest.raises(Conflict) as refused:
        standins.add_alternative(actor=yard.clerk, part=part, other=other, why="Again")
    assert refused.value.code == "taken"
    for why in (" ", "x" * 201):
        with pytest.raises(Fault):
            standins.add_alternative(actor=yard.clerk, part=other, other=part, why=why)
    with pytest.raises(Conflict):
        standins.add_alternative(actor=yard.clerk, part=part, other=part, why="Itself")
    standins.remove_alternative(actor=yard.clerk, alternative=row)
    assert not Alternative.objects.exists()


def test_a_technician_names_no_stand_ins() -> None:
    yard = make_yard()
    old, new, other = (make_part(yard) for _ in range(3))
    supersede(yard, old, new)
    row = standins.add_alternative(actor=yard.clerk, part=new, other=other, why="Same")
    nobody = yard.technician
    for act in (
        lambda: standins.supersede(actor=nobody, part=new, by=other, version=None),
        lambda: standins.take_back_supersession(actor=nobody, part=old, version=None),
        lambda: standins.add_alternative(actor=nobody, part=other, other=new, why="Same"),
        lambda: standins.remove_alternative(actor=nobody, alternative=row),
    ):
        with pytest.raises(NotAllowed):
            act()
    assert Alternative.objects.get() == row
    assert Part.objects.filter(superseded_by__isnull=False).get() == old


@pytest.mark.django_db(transaction=True)
def test_two_people_cannot_close_a_loop_between_them() -> None:
    """A leads to B and C to D; one adds B to C, another D to A, at the same moment."""
    yard = make_yard()
    for _round in range(4):
        a, b, c, d = (make_part(yard) for _ in range(4))
        supersede(yard, a, b)
        supersede(yard, c, d)

        def attempt(pair: tuple[Part, Part]) -> bool:
            try:
                supersede(yard, *pair)
            except Conflict:
                return False
            finally:
                connection.close()
            return True

        with ThreadPoolExecutor(2) as pool:
            done = list(pool.map(attempt, [(b, c), (d, a)]))
        assert sorted(done) == [False, True]
