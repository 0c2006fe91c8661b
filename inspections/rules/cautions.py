"""Cautions that stand at the step where the harm can happen. Short, so that they are read.

They authorise nothing: site rules and licensed persons come first, and each text ends by saying
so. Order of isolating after 29 CFR 1910.147(d); injection figures after HSE research report RR976
and common toolbox talks; air pressure after TM 5-3805-274-13&P; the rest is common practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

CLOSING = "Your site rules and licensed persons come first."


class CautionStep(StrEnum):
    BEFORE_START = "before_start"
    STORED_ENERGY = "stored_energy"
    INJECTION = "injection"
    HOT_OIL = "hot_oil"
    SPRINGS = "springs"
    LIFTING = "lifting"
    SOLVENT = "solvent"
    AIR = "air"
    ROTATION = "rotation"
    AFTER_WORK = "after_work"


@dataclass(frozen=True, slots=True)
class Caution:
    step: CautionStep
    title: str
    body: str

    @property
    def text(self) -> str:
        """What is shown and acknowledged, closing line included."""
        return f"{self.body} {CLOSING}"


CAUTIONS: dict[CautionStep, Caution] = {
    caution.step: caution
    for caution in (
        Caution(
            CautionStep.BEFORE_START,
            "Lock off and prove it dead",
            "Shut the machine down and fit a lock of your own to each supply that feeds it. Then "
            "press start. If anything moves, it is not isolated: go back.",
        ),
        Caution(
            CautionStep.STORED_ENERGY,
            "Pressure outlives the pump",
            "An accumulator, a raised load, a blocked line or warming oil can still hold "
            "pressure. Bring loads down or prop them, bleed off slowly, and see zero on a gauge "
            "that you know works.",
        ),
        Caution(
            CautionStep.INJECTION,
            "Oil can go through skin",
            "Do not look for a leak with your hand. From about 7 bar (100 psi) a fine jet pierces "
            "gloves and skin, even 100 mm away. Hold card or wood out at arm's length. A puncture "
            "that does not hurt is still an emergency: go to hospital now and tell them that oil "
            "was injected under pressure.",
        ),
        Caution(
            CautionStep.HOT_OIL,
            "Hot oil burns",
            "Above about 50 °C oil scalds. Wait until it has cooled, and cover hands, arms and "
            "face before you open anything.",
        ),
        Caution(
            CautionStep.SPRINGS,
            "Springs fly out",
            "Relief valve and seal load springs may be under load. Hold a cloth over them and let "
            "them off a little at a time.",
        ),
        Caution(
            CautionStep.LIFTING,
            "Lift it with gear that is made for it",
            "If it weighs more than your site lets one person lift, sling it. Keep out from under "
            "it, and do not lift by the shaft.",
        ),
        Caution(
            CautionStep.SOLVENT,
            "Solvent catches fire and harms lungs and skin",
            "Open the doors or run the extraction, keep flames and sparks away, wear gloves and "
            "know where the eye wash is. Rags go in the bin with a lid.",
        ),
        Caution(
            CautionStep.AIR,
            "Keep air low",
            "At most 2 bar (30 psi), with goggles on and a chip guard fitted. Do not point it at "
            "anybody and do not let it spin a bearing.",
        ),
        Caution(
            CautionStep.ROTATION,
            "Which way does it turn",
            "Compare the arrow on the pump with the way the drive turns before you jog it. Turned "
            "the wrong way, the shaft seal takes the pressure and blows out.",
        ),
        Caution(
            CautionStep.AFTER_WORK,
            "Before you hand back",
            "Mop up, and put old oil in the waste drum. Count your tools, refit the guards, take "
            "off your own lock and nobody else's, tell the operator, and start at low pressure.",
        ),
    )
}
