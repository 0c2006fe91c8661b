"""The drawing of each family: every part can be tapped, every check has its mark, nothing else.

What belongs to a family is read from the vocabulary; how the pumps look in section is common
practice, no source.
"""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from typing import Any

import pytest
from django.template.loader import render_to_string
from django.urls import reverse

from fleet.models import Pump, PumpModel
from fleet.vocabulary import (
    CHARACTERISTICS,
    COMPONENTS,
    Characteristic,
    Component,
    PumpFamily,
)
from inspections.models import Inspection
from inspections.web.reading import STATE_WORDS, ComponentRow, drawing_of

SVG = "{http://www.w3.org/2000/svg}"
LARGEST_FILE = 40_000  # bytes


def measured_in(family: PumpFamily) -> list[Characteristic]:
    return [one for one, info in CHARACTERISTICS.items() if info.use_in(family)]


def drawn(family: PumpFamily, **context: Any) -> ElementTree.Element:
    """The drawing as the page shows it; fails where it is not well-formed."""
    text = render_to_string(f"inspections/drawings/{family.value}.svg", context)
    return ElementTree.fromstring(text)  # noqa: S314 (our own template)


def groups(svg: ElementTree.Element, attribute: str) -> list[str]:
    return [node.attrib[attribute] for node in svg.iter() if attribute in node.attrib]


def part_of(svg: ElementTree.Element, component: Component) -> ElementTree.Element:
    (found,) = (n for n in svg.iter() if n.get("data-component") == component.value)
    return found


@pytest.mark.parametrize("family", PumpFamily)
def test_each_component_has_one_group_and_there_is_no_other(family: PumpFamily) -> None:
    assert sorted(groups(drawn(family), "data-component")) == sorted(COMPONENTS[family])


@pytest.mark.parametrize("family", PumpFamily)
def test_no_mark_stands_before_a_check_is_in_hand(family: PumpFamily) -> None:
    svg = drawn(family)

    assert groups(svg, "data-check") == []
    assert "data-highlight" not in svg.attrib


@pytest.mark.parametrize(
    ("family", "characteristic"),
    [(family, one) for family in PumpFamily for one in measured_in(family)],
)
def test_each_check_has_one_mark_and_closes_in_on_it(
    family: PumpFamily, characteristic: Characteristic
) -> None:
    use = CHARACTERISTICS[characteristic].use_in(family)
    assert use is not None
    whole = drawn(family).attrib["viewBox"]

    svg = drawn(family, highlight=characteristic.value, hand=use.component.value)

    assert groups(svg, "data-check") == [characteristic.value]
    assert svg.attrib["data-highlight"] == characteristic.value
    assert svg.attrib["viewBox"] != whole
    (mark,) = (node for node in svg.iter() if "data-check" in node.attrib)
    shapes = [node for node in mark if node.tag in {f"{SVG}path", f"{SVG}circle"}]
    assert shapes, "a mark shows where to measure, not only words"
    assert "part--hand" in part_of(svg, use.component).attrib["class"].split()


@pytest.mark.parametrize("family", PumpFamily)
def test_the_file_holds_no_mark_that_its_family_does_not_use(family: PumpFamily) -> None:
    uses = {one.value for one in measured_in(family)}
    strangers = [
        one.value
        for one in Characteristic
        if one.value not in uses and groups(drawn(family, highlight=one.value), "data-check")
    ]

    assert strangers == []


@pytest.mark.parametrize("family", PumpFamily)
def test_a_check_of_ones_own_shows_its_component_in_the_whole_pump(family: PumpFamily) -> None:
    for component in COMPONENTS[family]:
        svg = drawn(family, highlight=Characteristic.OWN.value, hand=component.value)

        in_hand = [n for n in svg.iter() if "part--hand" in n.get("class", "").split()]
        assert in_hand == [part_of(svg, component)]
        assert svg.attrib["data-hand"] == component.value
        assert "data-highlight" not in svg.attrib
        assert svg.attrib["viewBox"] == drawn(family).attrib["viewBox"]


@pytest.mark.parametrize("state", [state for state in STATE_WORDS if state])
@pytest.mark.parametrize("family", PumpFamily)
def test_each_part_links_to_its_findings_and_says_its_state_in_words(
    family: PumpFamily, state: str
) -> None:
    parts = [component.value for component in COMPONENTS[family]]
    svg = drawn(
        family,
        links={part: f"/findings/{part}" for part in parts},
        states=dict.fromkeys(parts, state),
        words=dict.fromkeys(parts, STATE_WORDS[state]),
    )

    for component in COMPONENTS[family]:
        part = part_of(svg, component)
        (link,) = part.iter(f"{SVG}a")
        title = part.find(f".//{SVG}title")
        label = part.find(f".//{SVG}text")
        assert link.attrib["href"] == f"/findings/{component.value}"
        assert f"part--{state}" in part.attrib["class"].split()
        assert title is not None
        assert title.text == f"{component.label}: {STATE_WORDS[state]}"
        assert label is not None
        assert "".join(label.itertext()) == f"{component.label}{STATE_WORDS[state]}"


@pytest.mark.parametrize("family", PumpFamily)
def test_each_reference_leads_to_something_in_the_drawing(family: PumpFamily) -> None:
    """Patterns of states that are told by line alone may be missing: `within` has none."""
    parts = [component.value for component in COMPONENTS[family]]
    for characteristic in measured_in(family):
        svg = drawn(family, highlight=characteristic.value, states=dict.fromkeys(parts, "out"))
        known = [node.attrib["id"] for node in svg.iter() if "id" in node.attrib]
        wanted = {
            value.removeprefix("url(").removeprefix("#").removesuffix(")")
            for node in svg.iter()
            for value in node.attrib.values()
            if value.startswith(("#", "url("))
        }

        assert len(known) == len(set(known))
        assert wanted <= set(known)


@pytest.mark.parametrize("family", PumpFamily)
def test_the_drawing_stays_small(family: PumpFamily) -> None:
    assert len(render_to_string(f"inspections/drawings/{family.value}.svg")) < LARGEST_FILE


@pytest.mark.parametrize("family", PumpFamily)
def test_the_page_draws_the_family_of_the_pump(family: PumpFamily) -> None:
    inspection = Inspection(pk=7, pump=Pump(model=PumpModel(family=family.value)))
    rows = [ComponentRow(component, (), (), "out") for component in COMPONENTS[family]]

    page = render_to_string("inspections/_drawing.html", drawing_of(inspection, rows))

    for component in COMPONENTS[family]:
        url = reverse("inspections:component", args=[7, component.value])
        assert f'<a href="{url}">' in page
        assert f"<title>{component.label}: out of limits</title>" in page


def test_the_page_of_a_check_puts_its_component_in_hand() -> None:
    inspection = Inspection(pk=7, pump=Pump(model=PumpModel(family=PumpFamily.VANE.value)))
    context = drawing_of(inspection, ()) | {
        "highlight": Characteristic.OWN.value,
        "check": {"component": Component.ROTOR},
    }

    page = render_to_string("inspections/_drawing.html", context)

    assert 'data-hand="rotor"' in page
    assert page.count("part--hand") == 1
