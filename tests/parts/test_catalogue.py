"""Parts, kits and fits."""

from __future__ import annotations

from typing import Any

import pytest

from fleet.faults import Conflict, Fault, Faults, NotAllowed, Stale
from parts.models import Fit, KitContent, Part
from parts.selectors import catalogue as search
from parts.services import catalogue, demands
from tests import factories
from tests.parts.build import GEARS, SEALS, make_part, make_yard

pytestmark = pytest.mark.django_db


def test_a_number_is_kept_in_capitals() -> None:
    yard = make_yard()
    assert make_part(yard, number=" sk-20 ").number == "SK-20"


def test_all_that_is_wrong_with_a_part_is_told_at_once() -> None:
    yard = make_yard()
    with pytest.raises(Faults) as refused:
        catalogue.add_part(actor=yard.clerk, number="SK 20", name=" ")
    assert {f.field for f in refused.value.each()} == {"number", "name"}
    assert not Part.objects.exists()


def test_a_part_keeps_all_that_is_known_of_it() -> None:
    yard = make_yard()
    part = make_part(
        yard,
        number="os-1",
        own_number=" 70  100 ",
        maker=" Ostermoor ",
        pack_size=25,
        shelf_life_months=48,
    )
    part.refresh_from_db()
    assert (part.own_number, part.maker, part.pack_size) == ("70 100", "Ostermoor", 25)
    assert part.ages
    row = catalogue.change_part(
        actor=yard.clerk, part=part, version=1, own_number="", pack_size=50, maker="Falkner"
    )
    row.refresh_from_db()
    assert (row.own_number, row.pack_size, row.maker) == ("", 50, "Falkner")
    for pack_size in (0, 10_001):
        with pytest.raises(Fault) as refused:
            catalogue.change_part(actor=yard.clerk, part=part, version=None, pack_size=pack_size)
        assert refused.value.field == "pack_size"


def test_a_number_is_taken_once() -> None:
    yard = make_yard()
    make_part(yard, number="SK-20")
    with pytest.raises(Conflict) as refused:
        make_part(yard, number="sk-20")
    assert (refused.value.field, refused.value.code) == ("number", "taken")


def test_a_stale_change_is_refused() -> None:
    yard = make_yard()
    part = make_part(yard)
    changed = catalogue.change_part(actor=yard.clerk, part=part, version=1, name="Seal kit, new")
    assert (changed.version, changed.name) == (2, "Seal kit, new")
    with pytest.raises(Stale):
        catalogue.change_part(actor=yard.clerk, part=part, version=1, name="Other")
    part.refresh_from_db()
    assert (part.version, part.name) == (2, "Seal kit, new")


def test_what_lies_in_a_kit_is_replaced_as_a_whole() -> None:
    yard = make_yard()
    kit = make_part(yard)
    ring, lip = make_part(yard, is_kit=False), make_part(yard, is_kit=False)
    catalogue.set_kit_contents(actor=yard.clerk, kit=kit, version=1, contents=[(ring, 4)])
    row = catalogue.set_kit_contents(
        actor=yard.clerk, kit=kit, version=2, contents=[(ring, 6), (lip, 1)]
    )
    assert row.version == 3
    assert set(KitContent.objects.values_list("part_id", "quantity")) == {
        (ring.pk, 6),
        (lip.pk, 1),
    }


def test_a_kit_holds_single_parts_each_once() -> None:
    yard = make_yard()
    kit, other_kit = make_part(yard), make_part(yard)
    ring = make_part(yard, is_kit=False)
    with pytest.raises(Faults) as refused:
        catalogue.set_kit_contents(
            actor=yard.clerk,
            kit=kit,
            version=None,
            contents=[(ring, 1), (ring, 0), (other_kit, 1)],
        )
    assert {f.field for f in refused.value.each()} == {
        "contents.1.part",
        "contents.1.quantity",
        "contents.2.part",
    }
    with pytest.raises(Conflict):
        catalogue.set_kit_contents(actor=yard.clerk, kit=ring, version=None, contents=[])
    assert not KitContent.objects.exists()


def test_a_kit_with_contents_stays_a_kit_and_its_parts_stay_parts() -> None:
    yard = make_yard()
    kit, ring = make_part(yard), make_part(yard, is_kit=False)
    catalogue.set_kit_contents(actor=yard.clerk, kit=kit, version=None, contents=[(ring, 4)])
    for part, is_kit in ((kit, False), (ring, True)):
        with pytest.raises(Conflict):
            catalogue.change_part(actor=yard.clerk, part=part, version=None, is_kit=is_kit)
    assert Part.objects.get(pk=kit.pk).is_kit
    assert not Part.objects.get(pk=ring.pk).is_kit


def test_a_fit_replaces_the_one_before() -> None:
    yard = make_yard()
    model = factories.make_model()
    old, new = make_part(yard), make_part(yard)
    catalogue.set_fit(actor=yard.clerk, model=model, component=SEALS, part=old)
    catalogue.set_fit(actor=yard.clerk, model=model, component=SEALS, part=new, quantity=2)
    assert list(Fit.objects.values_list("part_id", "quantity")) == [(new.pk, 2)]
    catalogue.remove_fit(actor=yard.clerk, fit=Fit.objects.get())
    assert not Fit.objects.exists()


def test_fits_of_one_component_go_by_serial_and_do_not_overlap() -> None:
    yard = make_yard()
    model = factories.make_model(designation="G2-16")
    old, new = make_part(yard, number="SK-1"), make_part(yard, number="SK-2")
    say: dict[str, Any] = {"actor": yard.clerk, "model": model, "component": SEALS}
    catalogue.set_fit(**say, part=old, serial_to=104_499)
    catalogue.set_fit(**say, part=new, serial_from=104_500, serial_to=200_000, quantity=2)
    for low, high in ((None, None), (104_499, None), (None, 0), (200_000, 200_000)):
        with pytest.raises(Conflict) as refused:
            catalogue.set_fit(**say, part=new, serial_from=low, serial_to=high)
        assert refused.value.code == "overlap"
    assert "serials 104500 to 200000, is SK-2 already" in refused.value.detail
    # The very same range is replaced; another component and another model are free.
    catalogue.set_fit(
        **say, part=old, serial_from=104_500, serial_to=200_000, alternatives_allowed=True
    )
    catalogue.set_fit(**{**say, "component": GEARS}, part=new)
    catalogue.set_fit(**{**say, "model": factories.make_model()}, part=new)
    kept = Fit.objects.filter(model=model, component=SEALS)
    assert sorted(
        kept.values_list("part__number", "serial_to", "quantity", "alternatives_allowed")
    ) == [("SK-1", 104_499, 1, False), ("SK-1", 200_000, 1, True)]


@pytest.mark.parametrize(
    ("serial_from", "serial_to", "fields"),
    [
        (-1, None, {"serial_from"}),
        (10**18, 10**18, {"serial_from", "serial_to"}),
        (9, 8, {"serial_to"}),
    ],
)
def test_a_range_of_serials_runs_upwards(
    serial_from: int, serial_to: int | None, fields: set[str]
) -> None:
    yard = make_yard()
    with pytest.raises(Fault) as refused:
        catalogue.set_fit(
            actor=yard.clerk,
            model=factories.make_model(),
            component=SEALS,
            part=make_part(yard),
            serial_from=serial_from,
            serial_to=serial_to,
        )
    assert {fault.field for fault in refused.value.each()} == fields
    assert not Fit.objects.exists()


def test_the_fit_of_a_pump_goes_by_the_last_figures_of_its_serial() -> None:
    yard = make_yard()
    model = factories.make_model()
    parts = {name: make_part(yard) for name in ("old", "new", "all")}
    say: dict[str, Any] = {"actor": yard.clerk, "model": model}
    catalogue.set_fit(**say, component=SEALS, part=parts["old"], serial_to=499)
    catalogue.set_fit(**say, component=SEALS, part=parts["new"], serial_from=500)
    catalogue.set_fit(**say, component=GEARS, part=parts["all"])
    for serial, seals in (("A-499-B", "old"), ("A-500", "new"), ("none", None)):
        pump = factories.make_pump(yard.site, model, serial=serial)
        found = demands.fits_for(pump)
        assert found[GEARS].part == parts["all"]
        assert (found[SEALS].part if SEALS in found else None) == (parts[seals] if seals else None)


def test_a_fit_names_a_component_of_the_models_family() -> None:
    yard = make_yard()
    model = factories.make_model()
    with pytest.raises(Fault) as refused:
        catalogue.set_fit(actor=yard.clerk, model=model, component="vanes", part=make_part(yard))
    assert refused.value.field == "component"
    assert not Fit.objects.exists()


def test_a_technician_does_not_keep_the_catalogue() -> None:
    yard = make_yard()
    part = make_part(yard)
    model = factories.make_model()
    fit = catalogue.set_fit(actor=yard.clerk, model=model, component=SEALS, part=part)
    nobody = yard.technician
    for act in (
        lambda: catalogue.add_part(actor=nobody, number="X-1", name="X"),
        lambda: catalogue.change_part(actor=nobody, part=part, version=None, name="X"),
        lambda: catalogue.set_kit_contents(actor=nobody, kit=part, version=None, contents=[]),
        lambda: catalogue.set_fit(actor=nobody, model=model, component=GEARS, part=part),
        lambda: catalogue.remove_fit(actor=nobody, fit=fit),
    ):
        with pytest.raises(NotAllowed):
            act()
    assert Part.objects.count() == 1
    assert Part.objects.get().version == 1
    assert list(Fit.objects.all()) == [fit]


def test_search_finds_every_word_in_number_or_name() -> None:
    yard = make_yard()
    small = make_part(yard, number="SK-100", name="Seal kit, small")
    make_part(yard, number="SK-200", name="Seal kit, large")
    assert list(search("sk small")) == [small]
    assert search("seal").count() == 2
    assert search("").count() == 2
