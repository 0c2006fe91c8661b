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
    "parts_part_own_number": (
        "taken",
        "Another part has this own number already. Look it up, or check the number.",
        "own_number",
    ),
    "parts_part_pack": ("out_of_range", "A pack holds 1 to 10,000 pieces.", "pack_size"),
    "parts_part_shelf_life": (
        "out_of_range",
        "A shelf life is 1 to 600 months. Leave it empty for a part that does not age.",
        "shelf_life_months",
    ),
    "parts_part_not_by_itself": ("loop", "A part does not supersede itself.", "by"),
    "parts_alternative_once": (
        "taken",
        "It stands as an alternative already. Take it out first to give another reason.",
        "other",
    ),
    "parts_alternative_not_itself": ("itself", "A part does not stand in for itself.", "other"),
    "parts_alternative_why": (
        "required",
        "Say why it may stand in: who said so, or where it is printed.",
        "why",
    ),
    "parts_batch_once": (
        "taken",
        "This batch of the part was entered just now. Look at it, then try again.",
        "batch_code",
    ),
    "parts_batch_code": (
        "batch_code",
        "A batch is capital letters, figures, dots and hyphens.",
        "batch_code",
    ),
    "parts_batch_dates": (
        "dates",
        "It expires before it was cured. Compare the label.",
        "expires_on",
    ),
    "parts_kitopening_why": ("required", "Say what the kit is opened for.", "why"),
    "parts_kitcontent_once": (
        "taken",
        "A part stands once in a kit. Add the two quantities up.",
        "contents",
    ),
    "parts_kitcontent_quantity": ("out_of_range", _QUANTITY, "contents"),
    "parts_kitcontent_not_itself": ("kit_in_itself", "A kit does not lie in itself.", "contents"),
    "parts_fit_once": (
        "taken",
        "Somebody named a part for pumps of these serials just now. Look at it, then try again.",
        "component",
    ),
    "parts_fit_serials": (
        "serials",
        "Serials are whole numbers of at most 18 figures, the first no larger than the last.",
        "serial_to",
    ),
    "parts_fit_component": ("invalid_choice", "Choose one of the components.", "component"),
    "parts_fit_quantity": ("out_of_range", _QUANTITY, "quantity"),
    "parts_store_site_id_key": ("taken", "This site has a store already. Use that one.", "site"),
    "parts_store_currency": (
        "currency",
        "A currency is the three capital letters of ISO 4217, such as EUR.",
        "currency",
    ),
    "parts_store_place": (
        "position",
        "Give both latitude (-90 to 90 degrees) and longitude (-180 to 180), or neither.",
        "latitude_deg",
    ),
    "parts_store_not_by_itself": (
        "loop",
        "A store is not restocked by itself. Choose another, or none.",
        "supplied_by",
    ),
    "parts_store_service": (
        "out_of_range",
        "The share served from the shelf is at least 0.5 and below 1.",
        "target_service",
    ),
    "parts_store_amounts": ("amount", "An amount is not below 0.", "count_limit"),
    "parts_stocklevel_once": ("taken", "The part is in this store already.", "part"),
    "parts_stocklevel_never_below_zero": (
        "not_enough_stock",
        "That many are not on hand, or more than 10000000 would be. Count the shelf.",
        "quantity",
    ),
    "parts_stocklevel_reserved_is_there": (
        "not_enough_stock",
        "That many are not free: the rest is reserved for demands and transfers.",
        "quantity",
    ),
    "parts_stocklevel_in_transit": (
        "not_under_way",
        "Fewer than that are on their way here. Look at the transfer again.",
        "quantity",
    ),
    "parts_stocklevel_value": (
        "value",
        "The value of a shelf is not below 0, and 0 when it is empty.",
        "unit_cost",
    ),
    "parts_batchlevel_once": ("taken", "The batch is in this store already.", "batch"),
    "parts_batchlevel_never_below_zero": (
        "not_enough_of_batch",
        "That many of this batch are not on hand. Look at the batch on the label again.",
        "batch",
    ),
    "parts_need_inspection_id_key": (
        "taken",
        "Somebody set the date of this inspection just now. Look at it, then try again.",
        "inspection",
    ),
    "parts_demand_disposition_once": (
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
    "parts_demand_confirmed": (
        "confirmation",
        "Only what was issued is confirmed, with who did it and when.",
        "",
    ),
    "parts_demand_coming_with": (
        "transfer_missing",
        "A demand that comes from another store names its transfer.",
        "transfer",
    ),
    "parts_demand_ordered_with": (
        "order_missing",
        "A demand that is on order names the line of the order.",
        "order_line",
    ),
    "parts_demandstep_state": ("invalid_choice", "Choose one of the listed states.", "state"),
    "parts_demandstep_why": ("required", "A step of a demand says why.", "why"),
    "parts_transfer_state": ("invalid_choice", "Choose one of the listed states.", "state"),
    "parts_transfer_quantity": (
        "out_of_range",
        "A transfer is of 1 to 1,000,000 pieces.",
        "quantity",
    ),
    "parts_transfer_elsewhere": (
        "own_store",
        "A transfer goes to another store than it comes from.",
        "from_site_name",
    ),
    "parts_transfer_why": ("required", "Say why: the other store reads it.", "why"),
    "parts_transfer_stamps": (
        "transfer_stamp",
        "A transfer on its way says when it was sent, and one that came when and how many.",
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
        "Parts are issued for a demand only, and come back from one.",
        "demand",
    ),
    "parts_movement_promised_to_whom": (
        "demand_missing",
        "Parts are reserved and released for one demand or one transfer.",
        "demand",
    ),
    "parts_movement_of_a_transfer": (
        "transfer_missing",
        "What goes to or comes from another store names its transfer.",
        "transfer",
    ),
    "parts_movement_of_an_opening": (
        "opening_missing",
        "What is taken out of a kit names the opening of the kit.",
        "opening",
    ),
    "parts_movement_value": (
        "value",
        "What comes in adds to the value, what goes out takes from it, and nothing else does.",
        "unit_cost",
    ),
    "parts_movement_issued_once": (
        "issued_already",
        "This demand was issued already. Look for the part on the bench.",
        "state",
    ),
    # Suppliers and orders
    "parts_supplier_name_key": ("taken", "There is a supplier of this name already.", "name"),
    "parts_supplier_named": ("required", "Enter the supplier's name.", "name"),
    "parts_supplier_currency": (
        "currency",
        "A currency is three letters, such as EUR (ISO 4217).",
        "currency",
    ),
    "parts_supplier_secret": (
        "secret_missing",
        "An address for orders needs its secret. Set the address anew.",
        "webhook_url",
    ),
    "parts_supplier_minimum": (
        "out_of_range",
        "The least value of an order is 0 or more.",
        "minimum_order_value",
    ),
    "parts_supplierpart_once": (
        "taken",
        "This supplier offers the part already. Change that offer.",
        "part",
    ),
    "parts_supplierpart_preferred": (
        "taken",
        "Somebody chose a supplier for this part just now. Look at it, then try again.",
        "preferred",
    ),
    "parts_supplierpart_figures": (
        "out_of_range",
        "Price and days are 0 or more, days at most 1000; a pack holds 1 to 10000 and the least "
        "quantity is 1 to 1000000.",
        "price",
    ),
    "parts_order_state": ("invalid_choice", "Choose one of the listed states.", "state"),
    "parts_order_one_draft": (
        "taken",
        "Somebody began a draft to this supplier just now. Use that one.",
        "supplier",
    ),
    "parts_order_approved_by_whom": (
        "approval_stamp",
        "An order that is approved says by whom and when.",
        "",
    ),
    "parts_order_sent_by_whom": ("sent_stamp", "An order that is sent says by whom and when.", ""),
    "parts_orderline_once": (
        "taken",
        "The part is on this order already. Change that line.",
        "part",
    ),
    "parts_orderline_figures": (
        "out_of_range",
        "A line asks for 1 to 1000000 pieces at a price of 0 or more.",
        "manual_quantity",
    ),
    "parts_orderstep_state": ("invalid_choice", "Choose one of the listed states.", "state"),
    "parts_orderstep_what": ("required", "Say what was done with the order.", "what"),
    "parts_approvallimit_once": ("taken", "The role has a limit at this store already.", "role"),
    "parts_approvallimit_role": ("invalid_choice", "Choose one of the roles.", "role"),
    "parts_approvallimit_amount": ("out_of_range", "A limit is 0 or more.", "amount"),
    "parts_holding_once": (
        "taken",
        "Somebody chose what to hold of this part just now. Look at it, then choose again.",
        "part",
    ),
    "parts_holding_levels": (
        "levels",
        "The reorder point is -1 or more and below the order-up-to level, at most 1000000.",
        "order_up_to",
    ),
    "parts_holding_keep_back": (
        "keep_back",
        "Keep back no more than is ordered up to.",
        "keep_back",
    ),
    "parts_forecast_window": (
        "out_of_range",
        "A forecast's window is from 1 to 3650 days.",
        "window_days",
    ),
    "parts_forecast_source": ("required", "Say where the forecast comes from.", "source"),
    # Counts, rates and hours
    "parts_count_state": ("invalid_choice", "Choose one of the listed states.", "state"),
    "parts_count_why": ("required", "Say what the count is for.", "why"),
    "parts_countline_once": ("taken", "This stands on the sheet already.", "part"),
    "parts_countline_counted_by_whom": (
        "count_stamp",
        "A counted line has its figure, at most 1000000, and says who counted it and when.",
        "counted",
    ),
    "parts_countline_second_person": (
        "second_person",
        "Somebody else than the counter approves a difference.",
        "",
    ),
    "parts_countline_reason": ("required", "Say why it differs.", "reason"),
    "parts_countline_movement_id_key": (
        "corrected_already",
        "The ledger was corrected by this line already.",
        "",
    ),
    "parts_exchangerate_once": (
        "taken",
        "Somebody set a rate of these currencies for that day just now. Look at it.",
        "valid_from",
    ),
    "parts_exchangerate_figures": (
        "rate",
        "A rate is above 0, between two currencies of three letters each.",
        "rate",
    ),
    "parts_labour_hours": ("out_of_range", "Give hours above 0, at most 1000 at once.", "hours"),
    "parts_labour_what": ("required", "Say what was done in these hours.", "what"),
    "parts_labour_rate": ("out_of_range", "An hour costs 0 or more.", "rate"),
}
