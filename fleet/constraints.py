"""What the database's refusals in fleet say: constraint name -> (code, sentence, field).

The database decides and nobody looks before inserting; these are the words for its decision.
"""

from __future__ import annotations

from fleet.plumbing.problems import ConstraintFault

_FIGURE_RANGE = "A length is between -100000 and 100000. Check the figure against the page."

FLEET_CONSTRAINTS: dict[str, ConstraintFault] = {
    "fleet_user_username_key": (
        "taken",
        "Somebody has this user name already. Choose another.",
        "username",
    ),
    "fleet_user_named": ("required", "Enter the person's full name.", "full_name"),
    "fleet_site_code_key": ("taken", "Another site has this code. Choose another.", "code"),
    "fleet_site_name_key": ("taken", "Another site has this name. Choose another.", "name"),
    "fleet_membership_once": (
        "taken",
        "This person holds this role at this site already.",
        "role",
    ),
    "fleet_membership_role": ("invalid_choice", "Choose one of the roles.", "role"),
    "fleet_membership_trainee_is_technician": (
        "trainee_role",
        "Only a technician can be a trainee. Choose that role, or leave trainee out.",
        "is_trainee",
    ),
    "fleet_pumpmodel_designation_once": (
        "taken",
        "This maker's designation is on file already. Use that model, or correct the designation.",
        "designation",
    ),
    "fleet_pumpmodel_family": ("invalid_choice", "Choose one of the pump families.", "family"),
    "fleet_pumpmodel_rotation": (
        "invalid_choice",
        "Choose clockwise, anticlockwise or either way, looking at the shaft end.",
        "rotation",
    ),
    "fleet_pumpmodel_oil_grade": (
        "invalid_choice",
        "Choose one of the viscosity grades of ISO 3448, such as 46.",
        "oil_grade_vg",
    ),
    "fleet_pumpmodel_displacement": (
        "out_of_range",
        "A displacement is above 0 and below 100000 cm³ per turn.",
        "displacement_cm3",
    ),
    "fleet_pumpmodel_pressure": (
        "out_of_range",
        "A rated pressure is above 0 and below 2000 bar.",
        "rated_pressure_bar",
    ),
    "fleet_pumpmodel_speeds": (
        "out_of_range",
        "The lowest speed must be below the highest, and the highest below 50000 rpm.",
        "speed_max_rpm",
    ),
    "fleet_pumpmodel_mass": (
        "out_of_range",
        "A mass is above 0 and below 100000 kg. Leave it empty where it is not known.",
        "mass_kg",
    ),
    "fleet_limitsheet_revision_once": (
        "taken",
        "This model has a limit sheet with this revision already. Give the next revision.",
        "revision",
    ),
    "fleet_limitsheet_one_in_force": (
        "sheet_in_force",
        "Another limit sheet of this model was issued in the meantime. Read it, then issue again.",
        "",
    ),
    "fleet_limitsheet_state": ("invalid_choice", "A sheet is draft, issued or superseded.", ""),
    "fleet_limitsheet_issued_by_somebody": (
        "sheet_stamp",
        "An issued sheet says who issued it and when, and a draft says neither.",
        "",
    ),
    "fleet_limitsheet_superseded_at": (
        "sheet_stamp",
        "A superseded sheet says since when, and no other does.",
        "",
    ),
    "fleet_limitsheet_issued_is_fixed": (
        "sheet_fixed",
        "An issued limit sheet never changes. Draft a new revision of it.",
        "",
    ),
    "fleet_sheetline_issued_is_fixed": (
        "sheet_fixed",
        "The lines of an issued limit sheet never change. Draft a new revision of it.",
        "lines",
    ),
    "fleet_leakpath_once": (
        "taken",
        "A clearance of a model has one leak path. Put what leaks side by side into its number of "
        "gaps.",
        "paths",
    ),
    "fleet_leakpath_characteristic": (
        "invalid_choice",
        "Choose one of the clearances through which this family leaks.",
        "paths",
    ),
    "fleet_leakpath_shape": (
        "leak_path_incomplete",
        "A slot has a width and a length, a ring gap a diameter and a length, a flat ring gap an "
        "outer and a smaller inner diameter; all above 0 and nothing else.",
        "paths",
    ),
    "fleet_leakpath_count": (
        "out_of_range",
        "Enter how many such gaps are open at once, 1 to 100.",
        "paths",
    ),
    "fleet_leakpath_gap_factor": (
        "out_of_range",
        "Enter which part of the clearance one gap has, above 0 and at most 1.",
        "paths",
    ),
    "fleet_leakpath_eccentricity": (
        "out_of_range",
        "Enter the eccentricity from 0, centred, to 1, touching.",
        "paths",
    ),
    "fleet_sheetline_once": (
        "taken",
        "A characteristic stands once per component on a sheet. Take one of the two lines out.",
        "lines",
    ),
    "fleet_sheetline_characteristic": (
        "invalid_choice",
        "Choose one of the listed characteristics.",
        "lines",
    ),
    "fleet_sheetline_component": (
        "invalid_choice",
        "Choose one of the listed components.",
        "lines",
    ),
    "fleet_sheetline_judged_by": (
        "invalid_choice",
        "Choose how the readings meet the limit.",
        "lines",
    ),
    "fleet_sheetline_instrument": (
        "invalid_choice",
        "Choose one of the listed instruments, or none.",
        "lines",
    ),
    "fleet_sheetline_unit": ("invalid_choice", "Choose mm, µm, in or thou.", "lines"),
    "fleet_sheetline_also_unit": (
        "second_unit",
        "The second unit is another one than the first: mm, µm, in or thou.",
        "lines",
    ),
    "fleet_sheetline_limits_in_order": (
        "limit_contradictory",
        "The lowest figure of a limit is above its highest. Check both against the page.",
        "lines",
    ),
    "fleet_sheetline_new_in_order": (
        "as_new_contradictory",
        "The lowest as-new figure is above the highest. Check both against the page.",
        "lines",
    ),
    "fleet_sheetline_new_within_limits": (
        "as_new_outside_limit",
        "An as-new figure is outside the service limit, so a new part would fail. Check both.",
        "lines",
    ),
    "fleet_sheetline_not_negative": (
        "limit_negative",
        "Only a difference of two readings can be negative. Enter the figure without its sign.",
        "lines",
    ),
    "fleet_sheetline_limit_or_reason": (
        "limit_missing",
        "A line has a limit, or is not applicable and says why.",
        "lines",
    ),
    "fleet_sheetline_leaf_has_one_limit": (
        "leaf_limit",
        "A leaf that rejects when it enters has one size: the highest figure alone.",
        "lines",
    ),
    "fleet_sheetline_spread_has_one_limit": (
        "spread_low",
        "A spread cannot be too small: it has a highest figure alone.",
        "lines",
    ),
    "fleet_sheetline_own_is_named": (
        "name_missing",
        "A check of your own has a name, and a listed one has its own. Name it, or take it out.",
        "lines",
    ),
    "fleet_sheetline_readings_from": (
        "source",
        "Only a spread is taken over the readings of another check, one of those listed.",
        "lines",
    ),
    "fleet_sheetline_allowance": (
        "allowance",
        "Only a computed check has an allowance. Take it out.",
        "lines",
    ),
    "fleet_sheetline_terms": (
        "terms",
        "A computed check names 2 to 6 readings, and nothing else names any.",
        "lines",
    ),
    "fleet_sheetline_has_positions": (
        "positions_missing",
        "A line that applies names at least one position.",
        "lines",
    ),
    **{
        f"fleet_sheetline_{figure}_bounded": ("out_of_range", _FIGURE_RANGE, "lines")
        for figure in (
            "limit_low",
            "limit_high",
            "new_low",
            "new_high",
            "also_limit_low",
            "also_limit_high",
            "also_new_low",
            "also_new_high",
            "allowance",
        )
    },
    "fleet_sheetrule_kind": ("invalid_choice", "Choose one of the three rules.", "kind"),
    "fleet_sheetrule_guard": (
        "out_of_range",
        "A guard is above 0 and at most 5 standard uncertainties.",
        "guard_z",
    ),
    "fleet_sheetrule_probabilities": (
        "out_of_range",
        "The probability that accepts is between 0.5 and 1, the one that rejects between 0 and "
        "0.5.",
        "p_accept",
    ),
    "fleet_sheetrule_why": ("required", "Say why this rule is chosen.", "why"),
    "fleet_pump_tag_once": (
        "taken",
        "Another pump of this site has this tag. Choose another tag, or look that pump up.",
        "tag",
    ),
    "fleet_pump_serial_once": (
        "taken",
        "A pump of this model with this serial is on the register already, here or at another "
        "site. Check the nameplate; if the pump came from another site, have it moved here.",
        "serial",
    ),
    "fleet_pump_status": ("invalid_choice", "Choose one of the listed states.", "status"),
    "fleet_pump_identified": ("required", "A pump has a tag and a serial. Enter both.", "tag"),
    "fleet_pump_hours": (
        "out_of_range",
        "Hours are at least 0 and below 1000000. Check the meter.",
        "meter_h",
    ),
    "fleet_statuschange_why": ("required", "Say why the state changes.", "why"),
    "fleet_statuschange_new": ("invalid_choice", "Choose one of the listed states.", "status"),
    "fleet_pumpmove_why": ("required", "Say why the pump moves.", "why"),
    "fleet_pumpmove_elsewhere": (
        "same_site",
        "The pump is at this site already. Choose another.",
        "to_site",
    ),
    "fleet_hoursreading_once": (
        "taken",
        "This pump has a reading of exactly this time already. Check the time of yours.",
        "read_at",
    ),
    "fleet_hoursreading_hours": (
        "out_of_range",
        "Hours are at least 0 and below 1000000. Check the meter.",
        "meter_h",
    ),
}
