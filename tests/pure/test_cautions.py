"""Cautions: each step has one, short, with the line that defers to the site."""

import pytest

from inspections.rules.cautions import CAUTIONS, CLOSING, CautionStep


@pytest.mark.parametrize("step", CautionStep)
def test_each_step_has_a_short_caution_that_defers(step):
    caution = CAUTIONS[step]
    assert caution.step is step
    assert caution.text.endswith(CLOSING)
    assert len(caution.text.split()) <= 80
    assert "!" not in caution.title + caution.text


def test_figures_in_the_texts():
    # About 7 bar (100 psi) and 100 mm: HSE RR976 and toolbox talks. 30 psi = 207 kPa, 2 bar:
    # TM 5-3805-274-13&P. 50 °C: common practice, no source.
    injection = CAUTIONS[CautionStep.INJECTION].text
    assert "7 bar (100 psi)" in injection
    assert "100 mm" in injection
    assert "hospital" in injection
    assert "2 bar (30 psi)" in CAUTIONS[CautionStep.AIR].text
    assert "50 °C" in CAUTIONS[CautionStep.HOT_OIL].text
