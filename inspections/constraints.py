"""What the database's refusals in inspections say: constraint name -> (code, sentence, field).

Triggers raise under a constraint name of their own, so that their refusals are found here too.
"""

from __future__ import annotations

from fleet.plumbing.problems import ConstraintFault

_LISTED_COMPONENT = "Choose one of the components of this pump."
_STAMPED = "Read the inspection again: its state and its signatures do not belong together."

INSPECTIONS_CONSTRAINTS: dict[str, ConstraintFault] = {
    "inspections_instrument_identity_once": (
        "taken",
        "Another instrument of this site has this number. Check the engraving.",
        "identity",
    ),
    "inspections_instrument_kind": ("invalid_choice", "Choose one of the kinds.", "kind"),
    "inspections_instrument_unit": ("invalid_choice", "Choose mm, µm, in or thou.", "unit"),
    "inspections_instrument_leaves_of_a_set": (
        "leaves_of_a_set",
        "A feeler gauge lists its leaves, and nothing else has any.",
        "leaves",
    ),
    "inspections_instrument_resolution": (
        "out_of_range",
        "Enter the resolution, above zero and below 1000.",
        "resolution",
    ),
    "inspections_instrument_permissible_error": (
        "out_of_range",
        "Enter the largest error either way, above zero and below 1000, or leave it out.",
        "permissible_error",
    ),
    "inspections_leafwithdrawal_why": (
        "required",
        "Say what is wrong with the leaf: bent, torn, rusty, worn.",
        "why",
    ),
    "inspections_inspection_state": ("invalid_choice", "Choose one of the states.", "state"),
    "inspections_inspection_reason": (
        "invalid_choice",
        "Choose why the pump is opened.",
        "reason",
    ),
    "inspections_inspection_one_under_work": (
        "already_under_inspection",
        "This pump is under inspection already. Go on with that one.",
        "pump",
    ),
    "inspections_inspection_one_correction": (
        "already_superseded",
        "Another inspection corrects this one already. Go on with that one.",
        "",
    ),
    "inspections_inspection_two_people": (
        "own_work",
        "A countersignature takes another person than the one who signed.",
        "",
    ),
    "inspections_inspection_signed_by_whom": ("signatures", _STAMPED, ""),
    "inspections_inspection_awaiting": ("signatures", _STAMPED, ""),
    "inspections_inspection_open_is_unsigned": ("signatures", _STAMPED, ""),
    "inspections_inspection_isolated_before_zero": (
        "not_isolated",
        "Zero is proved after the cautions were read and the machine was isolated, by name, time "
        "and how. Enter all of it.",
        "isolation",
    ),
    "inspections_inspection_hours": (
        "out_of_range",
        "Running hours are at least 0 and below 1000000. Check the hours of the pump.",
        "running_h",
    ),
    "inspections_inspection_closed_is_fixed": (
        "closed",
        "A closed inspection never changes. A correction is a new inspection that supersedes it.",
        "",
    ),
    "inspections_proved_zero_first": (
        "not_proved_zero",
        "Confirm isolation and proved zero first: no reading is taken on a pump that is not "
        "proved dead.",
        "isolation",
    ),
    "inspections_only_while_open": (
        "not_open",
        "This inspection is not open, so nothing in it changes. Ask for it to be sent back, or "
        "correct it by a new inspection that supersedes it.",
        "",
    ),
    "inspections_only_while_under_work": (
        "closed",
        "This inspection is closed, so nothing of its countersigning changes. A correction is a "
        "new inspection that supersedes it.",
        "",
    ),
    "inspections_overdueacceptance_once": (
        "taken",
        "Somebody else accepted the readings with this instrument just now. Read theirs.",
        "instrument",
    ),
    "inspections_overdueacceptance_reason": (
        "required",
        "Say why these readings may count.",
        "reason",
    ),
    "inspections_statechange_why": ("required", "Say why the state changes.", "why"),
    "inspections_nameplate_inspection_id_key": (
        "taken",
        "The nameplate was read by somebody else just now. Look at what they read.",
        "",
    ),
    "inspections_nameplate_serial_or_reason": (
        "required",
        "Enter the serial from the plate, or say why it cannot be read.",
        "serial",
    ),
    "inspections_reading_one_in_force": (
        "taken",
        "Somebody else read this position just now. Look at their reading, then go on.",
        "position",
    ),
    "inspections_reading_unit": ("invalid_choice", "Choose mm, µm, in or thou.", "unit"),
    "inspections_reading_bounded": (
        "out_of_range",
        "A length is between -100000 and 100000. Read the instrument again.",
        "value",
    ),
    "inspections_reading_value_or_bracket": (
        "value_or_bracket",
        "A reading is either one value or a bracket of leaves that were tried. Take it anew.",
        "",
    ),
    "inspections_verdict_once": (
        "taken",
        "This check was judged by somebody else just now. Read it again.",
        "line",
    ),
    "inspections_reading_uncertainty": (
        "out_of_range",
        "A standard uncertainty is not negative. Read the reading again.",
        "standard_uncertainty",
    ),
    "inspections_verdict_probability": (
        "out_of_range",
        "A probability is between 0 and 1. Read the check again.",
        "probability",
    ),
    "inspections_verdict_outcome": (
        "invalid_choice",
        "A check is within limits, out of limits or undecided.",
        "",
    ),
    "inspections_verdict_waiver_has_name_and_reason": (
        "required",
        "A waiver has a name and a reason. Say why this check may stay undecided.",
        "reason",
    ),
    "inspections_finding_once": (
        "taken",
        "This is on record for the same place already. Change that one.",
        "word",
    ),
    "inspections_finding_component": ("invalid_choice", _LISTED_COMPONENT, "component"),
    "inspections_finding_word": ("invalid_choice", "Choose one of the listed words.", "word"),
    "inspections_finding_cause": (
        "invalid_choice",
        "Choose one of the listed causes, or none.",
        "cause",
    ),
    "inspections_finding_severity": (
        "severity_contradicts_word",
        "'No defect' has severity 0, and a defect has 1 to 4.",
        "severity",
    ),
    "inspections_photo_once": (
        "taken",
        "This photo is kept with this component already.",
        "file",
    ),
    "inspections_rejudgement_progress": (
        "out_of_range",
        "No more inspections can be judged again than there are.",
        "",
    ),
    "inspections_rejudgement_rule_id_key": (
        "taken",
        "The inspections are being judged again by this rule already.",
        "",
    ),
    "inspections_rejudgedverdict_once": (
        "taken",
        "This check was judged again by this rule already.",
        "",
    ),
    "inspections_rejudgedverdict_outcome": (
        "invalid_choice",
        "A check is within limits, out of limits or undecided.",
        "",
    ),
    "inspections_study_characteristic": (
        "invalid_choice",
        "Choose one of the listed characteristics.",
        "characteristic",
    ),
    "inspections_study_instrument_kind": (
        "invalid_choice",
        "Choose one of the kinds.",
        "instrument_kind",
    ),
    "inspections_study_unit": ("invalid_choice", "Choose mm, µm, in or thou.", "unit"),
    "inspections_study_tolerance": (
        "out_of_range",
        "Enter a width above zero, or leave it empty.",
        "tolerance",
    ),
    "inspections_study_size": (
        "out_of_range",
        "Name 2 to 30 parts, and repeat 2 to 10 times.",
        "parts",
    ),
    "inspections_study_closed_with_result": (
        "study_closed",
        "A study is closed with its result, by name and time. Read it again.",
        "",
    ),
    "inspections_studyreading_once": (
        "taken",
        "Somebody entered this reading just now. Read the study again.",
        "entries",
    ),
    "inspections_studyreading_in_order": (
        "out_of_range",
        "Enter lengths from 0 up to 100 000, the lower end first.",
        "entries",
    ),
    "inspections_studyreading_trial": (
        "out_of_range",
        "Count the repeats from 1 to 10.",
        "entries",
    ),
    "inspections_studyreading_closed_is_fixed": (
        "study_closed",
        "This study is closed and stays as it is. Begin another to measure again.",
        "",
    ),
    "inspections_controlreading_once": (
        "taken",
        "Somebody measured this position again just now. Read the inspection again.",
        "position",
    ),
    "inspections_controlreading_unit": (
        "invalid_choice",
        "Choose mm, µm, in or thou.",
        "unit",
    ),
    "inspections_controlreading_value_or_bracket": (
        "value_or_bracket",
        "Enter either the leaves that were tried or the value that the instrument shows.",
        "value",
    ),
    "inspections_disposition_once": (
        "taken",
        "Somebody else proposed for this component just now. Read it again.",
        "component",
    ),
    "inspections_disposition_component": ("invalid_choice", _LISTED_COMPONENT, "component"),
    "inspections_disposition_words": (
        "invalid_choice",
        "Choose one of the dispositions.",
        "decided",
    ),
    "inspections_disposition_overruled_with_reason": (
        "required",
        "Write down why you decide otherwise.",
        "reason",
    ),
}
