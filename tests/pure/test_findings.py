"""Words for what is seen."""

import pytest

from fleet.vocabulary import COMPONENTS, Component
from inspections.findings import (
    WORDS,
    Cause,
    Mechanism,
    Severity,
    Word,
    check_finding,
    words_for,
)


@pytest.mark.parametrize("component", Component)
def test_every_component_has_its_words(component):
    words = words_for(component)
    assert words[0] is Word.NO_DEFECT
    assert len(words) >= 8
    for word in words[1:]:
        assert check_finding(component, word, 2) == []


def test_every_word_is_described_once_and_usable():
    assert set(WORDS) == set(Word)
    assert len({info.label for info in WORDS.values()}) == len(WORDS)
    for info in WORDS.values():
        assert info.components
        assert info.source


def codes(component, word, severity):
    return [fault.code for fault in check_finding(component, word, severity)]


def test_no_defect_and_severity_0_go_together():
    assert codes(Component.GEARS, Word.NO_DEFECT, 0) == []
    assert codes(Component.GEARS, Word.NO_DEFECT, 1) == ["severity_contradicts_word"]
    assert codes(Component.GEARS, Word.SCORED, 0) == ["severity_contradicts_word"]
    assert codes(Component.GEARS, Word.SCORED, 5) == ["range"]
    assert codes(Component.GEARS, Word.SCORED, -1) == ["range"]


def test_a_word_must_fit_the_component():
    assert codes(Component.SEALS, Word.PITTED, 3) == ["word_does_not_fit"]
    assert codes(Component.GEARS, Word.EXTRUDED, 0) == [
        "word_does_not_fit",
        "severity_contradicts_word",
    ]
    # ISO 15243 families are for rolling bearings: a plain bush has no fatigue pits of theirs.
    assert codes(Component.BUSHES, Word.PITTED, 2) == ["word_does_not_fit"]


def test_causes_are_kept_apart_from_what_is_seen():
    # Appearance only, no causes by design: ISO 10825-1:2022.
    assert not {word.value for word in Word} & {cause.value for cause in Cause}
    assert len(Cause) == 11
    assert all(cause.signs.endswith(".") for cause in Cause)
    assert Cause.OVER_PRESSURE.label == "Over-pressure"
    assert Cause.WATER_IN_OIL.label == "Water in oil"


def test_mechanism_codes():
    # 1.3 clearance/alignment, 2.1 cavitation, 2.4 wear, 2.7 overheating: ISO 14224 table B.2.
    assert Mechanism.CLEARANCE == "1.3"
    assert WORDS[Word.ONE_SIDED_WEAR].mechanism == "1.3"
    assert WORDS[Word.CAVITATION_EROSION].mechanism == "2.1"
    assert WORDS[Word.SCORED].mechanism == "2.4"
    assert WORDS[Word.HEAT_COLOUR].mechanism == "2.7"


def test_severities():
    # 0 to 4: common practice, no source.
    assert [severity.value for severity in Severity] == [0, 1, 2, 3, 4]
    assert all(severity.label and severity.meaning for severity in Severity)


def test_seals_are_never_dressed():
    only_seals = {word for word, info in WORDS.items() if info.components == {Component.SEALS}}
    assert only_seals
    assert not any(WORDS[word].dressable for word in only_seals)
    assert all(Component.SEALS in parts for parts in COMPONENTS.values())
