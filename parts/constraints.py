"""What the database's refusals in parts say: constraint name -> (code, sentence, field)."""

from __future__ import annotations

from fleet.plumbing.problems import ConstraintFault

_QUANTITY = "A quantity is a whole number from 1 to 1000."

PARTS_CONSTRAINTS: dict[str, ConstraintFault] = {
    "parts_part_number_key": (
        "taken",
        "The catalogue has a part with this number already. Look it up, or check the number.",
        "number",
    ),
    "parts_part_number": (
        "part_number",
        "A part number is capital letters, figures and hyphens.",
        "number",
    ),
    "parts_part_named": ("required", "Enter the part's name.", "name"),
    "parts_kitcontent_once": (
        "taken",
        "A part stands once in a kit. Add the two quantities up.",
        "contents",
    ),
    "parts_kitcontent_quantity": ("out_of_range", _QUANTITY, "contents"),
    "parts_kitcontent_not_itself": ("kit_in_itself", "A kit does not lie in itself.", "contents"),
    "parts_fit_once": (
        "taken",
        "Somebody named a part for this component just now. Look at it, then try again.",
        "component",
    ),
    "parts_fit_component": ("invalid_choice", "Choose one of the components.", "component"),
    "parts_fit_quantity": ("out_of_range", _QUANTITY, "quantity"),
    "parts_store_site_id_key": ("taken", "This site has a store already. Use that one.", "site"),
    "parts_stocklevel_once": ("taken", "The part is in this store already.", "part"),
    "parts_stocklevel_never_below_zero": (
        "not_enough_stock",
        "That many are not on hand, or more than 10000000 would be. Count the shelf.",
        "quantity",
    ),
    "parts_stocklevel_reserved_is_there": (
        "not_enough_stock",
        "That many are not free: the rest is reserved for demands.",
        "quantity",
    ),
    "parts_demand_disposition_id_key": (
        "taken",
        "This 'replace' has its demand already.",
        "disposition",
    ),
    "parts_demand_state": ("invalid_choice", "Choose one of the listed states.", "state"),
    "parts_demand_quantity": ("out_of_range", _QUANTITY, "quantity"),
    "parts_demand_part_unless_unmatched": (
        "part_missing",
        "A demand names its part, unless no part is known for it.",
        "part",
    ),
    "parts_demand_issued_by_whom": (
        "issue_stamp",
        "An issued demand says who issued it and when, and no other does.",
        "",
    ),
    "parts_movement_kind": ("invalid_choice", "Choose one of the kinds of movement.", "kind"),
    "parts_movement_signs": (
        "signs",
        "A movement of this kind cannot change the sums in this direction.",
        "quantity",
    ),
    "parts_movement_correction_has_reason": (
        "required",
        "Say why: the ledger keeps the reason.",
        "reason",
    ),
    "parts_movement_for_a_demand": (
        "demand_missing",
        "Parts are reserved, released and issued for a demand only.",
        "demand",
    ),
    "parts_movement_issued_once": (
        "issued_already",
        "This demand was issued already. Look for the part on the bench.",
        "state",
    ),
}
