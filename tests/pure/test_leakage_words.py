"""What is said of losses: sentences as a reader gets them, and where the formulas stop to hold."""

from dataclasses import replace
from decimal import Decimal

import pytest

from fleet.vocabulary import Component, LeakShape
from inspections.rules.leakage import (
    Clearance,
    Conditions,
    Losses,
    MeasuredPath,
    PartGain,
    Path,
    PathLoss,
    at_exactly,
)
from inspections.rules.leakage_words import (
    called,
    change_first,
    flow_words,
    no_figure,
    notes,
    part_name,
    percent,
    result,
    spread,
    sum_of,
    validity,
)
from inspections.rules.quantities import FlowUnit, PressureUnit, TemperatureUnit, Units, figure
from inspections.rules.viscosity import Oil, oil_of_grade, oil_of_two_points

D = Decimal
METRIC = Units()
US = Units(PressureUnit.PSI, TemperatureUnit.FAHRENHEIT, FlowUnit.US_GPM)
ASKED = Conditions(160, 50, 1500, D("36.6667"), oil_of_grade(46))
ASKED = replace(ASKED, displacement_cm3=36.6667)

SLOT = Path(LeakShape.SLOT, count=4, gap_factor=D("0.5"), width_mm=D(30), length_mm=D("9.50"))
RING = Path(
    LeakShape.ANNULUS,
    gap_factor=D("0.500"),
    diameter_mm=D(20),
    length_mm=D(20),
    eccentricity=D("1.000"),
)
FACE = Path(LeakShape.DISC, count=2, diameter_mm=D(60), inner_diameter_mm=D(20))


def gap(low="0.10", high="0.15", u=0.003, position="drive 6 o'clock"):
    return Clearance(position, D(low), None if high is None else D(high), u)


def measured(path=SLOT, name="Side clearance", part="wear plates", clearances=None, **more):
    return MeasuredPath(
        name.lower().replace(" ", "_"),
        name,
        part,
        path,
        clearances=(gap(),) if clearances is None else clearances,
        source=more.pop("source", "sheet R1, page 14"),
        **more,
    )


def loss(flow=2.17, share=0.7, **more):
    about = more.pop("measured", None) or measured()
    return PathLoss(
        about,
        l_min_per_mm3=1000.0,
        flow=flow,
        share=share,
        as_new=more.pop("as_new", 1.0),
        reynolds=more.pop("reynolds", 80.0),
        clearance_mm=more.pop("clearance_mm", 0.1098765),
        **more,
    )


def lost(*paths, total=3.1, **more):
    values = {
        "low": 2.2,
        "high": 4.4,
        "efficiency": 1 - 3.1 / 55,
        "efficiency_low": 0.92,
        "efficiency_high": 0.96,
        **more,
    }
    return Losses(ASKED, paths, total, **values)


SIDE = loss()
TIP = loss(flow=0.93, share=0.3, measured=measured(name="Tip clearance", part="gears"), as_new=None)
NOTHING = PathLoss(measured(name="Shaft to bush", clearances=()), 1000.0)


# --- Figures ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "digits", "said"),
    [
        (3.14159, 2, "3.1"), (0.04211, 2, "0.042"), (120.4, 2, "120"), (126.0, 2, "130"),
        (55.04, 3, "55.0"), (9.99, 2, "10"), (0, 2, "0"), (0.0999, 2, "0.10"), (2320.6, 4, "2321"),
        (12345, 3, "12300"), (4, 1, "4"),
    ],
)  # fmt: skip
def test_figures_have_their_digits_and_no_exponent(value, digits, said):
    assert figure(value, digits) == said


def test_percentages():
    assert [percent(p) for p in (0.944, 0.9799, 0.98, 0.9964, 1.0, 0.005, 0.7)] == [
        "94 %", "98 %", "98.0 %", "99.6 %", "100 %", "0 %", "70 %",
    ]  # fmt: skip


def test_units_by_pint():
    # 1 bar = 100 kPa, 1 psi = 6.894757 kPa, 1 US gallon = 3.785412 L (definitions, from memory).
    assert US.to_bar(1000) == pytest.approx(68.94757)
    assert US.from_bar(160) == pytest.approx(2320.603)
    assert US.to_celsius(122) == pytest.approx(50)
    assert US.from_celsius(100) == pytest.approx(212)
    assert US.from_l_min(3.785412) == pytest.approx(1, rel=1e-6)
    for same in (METRIC.to_bar, METRIC.from_bar, METRIC.to_celsius, METRIC.from_l_min):
        assert same(47.1) == 47.1
    assert METRIC.from_celsius(47.1) == 47.1
    assert (US.pressure.label, US.temperature.label, US.flow.label) == ("psi", "°F", "US gpm")
    assert (METRIC.pressure.label, METRIC.temperature.label, METRIC.flow.label) == (
        "bar", "°C", "L/min",
    )  # fmt: skip
    assert flow_words(3.14, METRIC) == "3.1 L/min"
    assert flow_words(55.0, METRIC, 3) == "55.0 L/min"


def test_names_in_sentences():
    assert part_name([Component.WEAR_PLATE_FRONT, Component.WEAR_PLATE_REAR]) == "wear plates"
    assert part_name([Component.SIDE_PLATE_FRONT, Component.SIDE_PLATE_REAR]) == "side plates"
    assert part_name([Component.GEARS, Component.BUSHES]) == "gears and bushes"
    assert part_name([]) == ""
    assert called("Side clearance") == "the side clearance"
    assert called("Vane to slot gap") == "the vane to slot gap"
    assert called("Piston shoe end play") == "the piston shoe end play"
    assert called("Shaft to bush") == "the clearance shaft to bush"


# --- The result -------------------------------------------------------------------------------


def test_the_whole_sentence():
    assert result(lost(SIDE, TIP), METRIC) == (
        "The clearances measured indicate a loss of 3.1 L/min of 55.0 L/min at 160 bar and 50 °C: "
        "volumetric efficiency about 94 %. The side clearance makes 70 % of it."
    )
    assert result(lost(TIP, SIDE), US) == (
        "The clearances measured indicate a loss of 0.82 US gpm of 14.5 US gpm at 2321 psi and "
        "122 °F: volumetric efficiency about 94 %. The side clearance makes 70 % of it."
    )


def test_what_is_not_counted_is_named():
    assert result(lost(SIDE, NOTHING), METRIC).endswith(
        "about 94 %. Not counted: the clearance shaft to bush."
    )
    assert " makes " not in result(lost(SIDE, NOTHING), METRIC)


def test_the_conditions_as_asked():
    found = replace(lost(SIDE), conditions=replace(ASKED, pressure_bar=162.56, temperature_c=49.5))
    assert "at 162.6 bar and 49.5 °C" in result(found, METRIC)
    found = replace(found, conditions=replace(ASKED, pressure_bar=7.0))
    assert "at 7 bar" in result(found, METRIC)


def test_more_than_the_pump_moves():
    found = lost(SIDE, total=60.0, efficiency=None, efficiency_low=None, efficiency_high=None)
    assert result(found, METRIC) == (
        "The clearances measured indicate a loss of 60 L/min of 55.0 L/min at 160 bar and 50 °C. "
        "That is all the pump moves at this speed, or more: it would not hold the pressure."
    )
    assert spread(found, METRIC) == (
        "For all that is not known of gaps and oil, the loss lies between 2.2 and 4.4 L/min in "
        "90 % of the cases."
    )


def test_nothing_measured():
    found = lost(NOTHING, total=None, low=None, high=None)
    assert result(found, METRIC) == "No clearance is measured yet that would say what is lost."
    assert spread(found, METRIC) == ""
    assert change_first(found, METRIC) == ""


def test_the_spread():
    assert spread(lost(SIDE), METRIC) == (
        "For all that is not known of gaps and oil, the loss lies between 2.2 and 4.4 L/min in "
        "90 % of the cases, and the volumetric efficiency between 92 % and 96 %."
    )
    assert "between 0.58 and 1.2 US gpm" in spread(lost(SIDE), US)
    assert spread(lost(SIDE, low=None), METRIC) == ""
    assert spread(lost(SIDE, high=None), METRIC) == ""
    one_side = lost(SIDE, efficiency_low=None)
    assert spread(one_side, METRIC).endswith("in 90 % of the cases.")


def test_what_to_change_first():
    gains = (PartGain("wear plates", 1.2), PartGain("bushes", 0.31), PartGain("gears", 0.02))
    assert change_first(lost(SIDE, total=1.7, gains=gains[:1]), METRIC) == (
        "Change the wear plates first: that would give back 1.2 of 1.7 L/min."
    )
    assert change_first(lost(SIDE, total=1.7, gains=gains), METRIC) == (
        "Change the wear plates first: that would give back 1.2 of 1.7 L/min. Then: the bushes "
        "0.31 L/min, the gears 0.020 L/min."
    )
    assert change_first(lost(SIDE, total=1.7, gains=gains[:1]), US) == (
        "Change the wear plates first: that would give back 0.32 of 0.45 US gpm."
    )


def test_a_larger_loss_without_a_figure_as_new_is_not_passed_over():
    gains = (PartGain("wear plates", 0.45),)
    assert change_first(lost(SIDE, TIP, gains=gains), METRIC) == (
        "By the figures as new that the sheet prints, changing the wear plates gives back most: "
        "0.45 of 3.1 L/min. It prints none for the tip clearance, which loses 0.93 L/min: its "
        "change may give back more."
    )
    # Of several without such a figure the one that loses most is named, wherever it stands.
    bush = loss(flow=0.7, measured=measured(name="Shaft to bush", part="bushes"), as_new=None)
    for order in ((SIDE, bush, TIP), (TIP, bush, SIDE)):
        assert "It prints none for the tip clearance, which loses 0.93 L/min" in (
            change_first(lost(*order, gains=gains), METRIC)
        )
    # One that loses no more than the change gives back cannot give more.
    gains = (PartGain("wear plates", 0.93),)
    assert change_first(lost(SIDE, TIP, NOTHING, gains=gains), METRIC).startswith(
        "Change the wear plates first: "
    )


def test_nothing_to_give_back():
    assert change_first(lost(SIDE), METRIC) == (
        "No clearance leaks more than as new: a change gives nothing back."
    )
    assert change_first(lost(TIP, NOTHING), METRIC) == (
        "The sheet prints no clearance as new for what is measured, so nothing can be said of "
        "what a change gives back."
    )


# --- One path ---------------------------------------------------------------------------------


def test_why_there_is_no_figure():
    assert no_figure(measured()) == ""
    assert no_figure(measured(not_applicable="Loaded plates.")) == (
        "Not applicable to this design, so nothing is computed: Loaded plates."
    )
    assert no_figure(measured(source="", clearances=())) == (
        "The sheet of this inspection has no such check."
    )
    assert no_figure(measured(clearances=())) == "Not measured yet."
    two = (gap(high=None), gap(high=None, position="idler"), gap())
    assert no_figure(measured(clearances=two)) == (
        "Every leaf went in at drive 6 o'clock, idler: without an upper end the loss has none. "
        "Try a thicker leaf."
    )
    assert no_figure(measured(clearances=(gap("-0.2", "-0.1"),))) == (
        "The readings leave no gap at drive 6 o'clock. Check whether two figures are swapped."
    )


EVENLY = (
    "The clearance is taken as shared out evenly. All of it on one side would leak 4 times as much."
)


def noted(about, **more):
    return notes(loss(measured=about, **more))


def test_notes_of_a_plain_path():
    assert noted(measured()) == (EVENLY,)
    assert noted(measured(replace(SLOT, gap_factor=D(1))), reynolds=50.0) == ()
    assert noted(measured(RING)) == ()
    assert notes(NOTHING) == ()
    third = noted(measured(replace(SLOT, gap_factor=D("0.25"))))
    assert "would leak 16 times" in third[0]


def test_notes_on_what_is_not_measured():
    assert noted(measured(RING, missing=("a", "b"))) == (
        "Still to be measured: a, b. The other positions stand for them.",
    )


def test_notes_on_turbulence_and_short_gaps():
    assert noted(measured(RING), reynolds=1000.0) == (
        "The gap is so short that more than a tenth of the pressure goes into speeding the oil "
        "up: less is lost than shown.",
    )
    assert noted(measured(RING), reynolds=1001.0) == (
        "The flow may be turbulent (Reynolds number 1000, the formula holds to about 1000): less "
        "is lost than shown.",
    )
    # Half of 0.15 mm over 20 mm: Re h / L is 1 at 266.7.
    assert noted(measured(RING), reynolds=266.0) == ()
    assert len(noted(measured(RING), reynolds=267.0)) == 1


def test_notes_on_wide_gaps():
    # A tenth of its length is narrow still.
    short = replace(SLOT, gap_factor=D(1), length_mm=D("1.5"))
    assert noted(measured(short), reynolds=1.0) == ()
    assert noted(measured(replace(short, length_mm=D("1.49"))), reynolds=1.0) == (
        "A gap of 0.15 mm is not narrow against its 1.5 mm along the flow: the formula does not "
        "hold.",
    )
    thin = replace(RING, gap_factor=D(1), diameter_mm=D("3.0"))
    assert noted(measured(thin), reynolds=1.0) == ()
    assert noted(measured(replace(thin, diameter_mm=D("2.9"))), reynolds=1.0) == (
        "A gap of 0.15 mm is not narrow against a diameter of 2.9 mm: the formula does not hold.",
    )


def test_the_sum_of_a_slot():
    found = sum_of(loss(), ASKED)
    assert found.formula == "Q = n · b · h³ · Δp / (12 · μ · L)"
    assert found.inputs == (
        ("n, gaps open at once", "4"),
        ("b, width across the flow", "30 mm"),
        ("L, length", "9.5 mm"),
        ("h, gap, 0.5 × the clearance, by the mean of h³ at one position", "0.0549 mm"),
        ("Δp, outlet less inlet", "160 bar"),
        ("μ, dynamic viscosity", "0.0260 Pa·s, from 29.9 mm²/s at 50 °C and 870 kg/m³"),
    )
    assert found.source == (
        "Laminar flow between parallel walls, as in any text on fluid power. Clearance, as new "
        "and limit: sheet R1, page 14."
    )


def test_the_sum_of_the_other_shapes():
    ring = sum_of(loss(measured=measured(RING, clearances=(gap(), gap()))), ASKED)
    assert ring.formula == "Q = n · π · D · h³ · Δp · (1 + 1.5 · ε²) / (12 · μ · L)"
    assert ring.inputs[1:5] == (
        ("D, mean diameter", "20 mm"),
        ("L, length", "20 mm"),
        ("ε, eccentricity", "1"),
        ("h, gap, 0.5 × the clearance, by the mean of h³ at 2 positions", "0.0549 mm"),
    )
    face = sum_of(loss(measured=measured(FACE)), ASKED)
    assert face.formula == "Q = n · π · h³ · Δp / (6 · μ · ln(D / d))"
    assert face.inputs[1:4] == (
        ("D, outer diameter", "60 mm"),
        ("d, inner diameter", "20 mm"),
        ("h, gap, by the mean of h³ at one position", "0.110 mm"),
    )
    bare = sum_of(replace(NOTHING, measured=replace(NOTHING.measured, source="")), ASKED)
    assert [name for name, _ in bare.inputs] == [
        "n, gaps open at once",
        "b, width across the flow",
        "L, length",
        "Δp, outlet less inlet",
        "μ, dynamic viscosity",
    ]
    assert bare.source == "Laminar flow between parallel walls, as in any text on fluid power."


# --- All of it --------------------------------------------------------------------------------


def test_what_is_always_said():
    said = validity(lost(SIDE))
    assert len(said) == 3
    # Actuators 2026, 15(1), 56: mean deviation of the computed volumetric efficiency.
    for figure_of_source in ("9.4 %", "3.35 %", "1.98 %", "(Actuators 2026, 15(1), 56)"):
        assert figure_of_source in said[0]
    assert "does not replace a bench test" in said[0]
    assert "laminar flow between walls at rest" in said[1]
    assert said[2] == (
        "The range is a Monte Carlo calculation (JCGM 101:2008) with a fixed seed: each clearance "
        "anywhere in its bracket and within its uncertainty, the oil within 10 % of the middle of "
        "its grade."
    )
    own = lost(SIDE)
    own = replace(own, conditions=replace(ASKED, oil=oil_of_two_points(46, 6.8)))
    assert validity(own)[2].endswith("within its uncertainty; the oil is taken as entered.")


def test_what_is_not_known_is_named():
    unsure = replace(TIP, measured=replace(TIP.measured, clearances=(gap(), gap(u=None))))
    assert validity(lost(SIDE, unsure, NOTHING))[3:] == (
        "The uncertainty of the readings is not known for the tip clearance: there the range "
        "counts the brackets and the oil only. Enter the permissible error of the instrument.",
        "The sheet prints no figure as new for the tip clearance: what a change gives back there "
        "is not known.",
    )
    gears = replace(TIP, measured=measured(name="Gear set clearance"))
    assert validity(lost(SIDE, TIP, gears))[-1] == (
        "The sheet prints no figure as new for the tip clearance, the gear set clearance: what a "
        "change gives back there is not known."
    )


def test_thin_oil_is_warned_of():
    def said(nu40, nu100, at):
        oil = Oil(nu40, nu100, 0.1, "")
        asked = replace(ASKED, oil=oil, temperature_c=at)
        return validity(replace(lost(SIDE), conditions=asked))[3:]

    assert said(32, 5.4, 50) == ()
    assert said(32, 5.4, 100) == (
        "At 5.4 mm²/s the oil is thinner than the 10 mm²/s that pumps of this kind usually need "
        "(common practice).",
    )
    assert said(10, 2.1, 120) == (
        "At 1.5 mm²/s the oil is thinner than the chart of ASTM D341 is made for here (2 mm²/s): "
        "the losses are not to be relied on.",
    )


def test_gains_are_not_made_up():
    assert at_exactly(D("0.1")).mean_cube_mm3() == pytest.approx(0.001)


def test_units_are_stored_under_their_names_and_shown_by_their_signs():
    assert {u.value: u.label for u in PressureUnit} == {"bar": "bar", "psi": "psi"}
    assert {u.value: u.label for u in TemperatureUnit} == {"degC": "°C", "degF": "°F"}
    assert {u.value: u.label for u in FlowUnit} == {"l_min": "L/min", "us_gpm": "US gpm"}
