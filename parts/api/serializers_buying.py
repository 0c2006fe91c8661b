"""What the API of suppliers and orders takes and gives.

Amounts are decimals in strings; a price is of one piece, in the supplier's currency.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from rest_framework import serializers

from fleet.plumbing.scoping import ScopedRelatedField
from fleet.roles import Role
from parts import selectors
from parts.models import Supplier
from parts.rules.approval import APPROVERS
from parts.rules.lifecycle import OrderState

_STATES = [(s.value, s.label) for s in OrderState]


def _amount(**options: Any) -> serializers.DecimalField:
    return serializers.DecimalField(max_digits=16, decimal_places=4, **options)


# --- Given --------------------------------------------------------------------------------------


class SupplierSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    name = serializers.CharField()
    currency = serializers.CharField()
    email = serializers.CharField(allow_blank=True)
    webhook_url = serializers.CharField(allow_blank=True, help_text="Empty: paper or mail only.")
    minimum_order_value = _amount()
    active = serializers.BooleanField()


class WebhookSecretSerializer(serializers.Serializer[Any]):
    """The secret is in this answer and in no other."""

    webhook_url = serializers.CharField(allow_blank=True)
    secret = serializers.CharField(allow_blank=True)


class ObservedSerializer(serializers.Serializer[Any]):
    """Calendar days from sending an order to its first receipt, over the orders of all sites."""

    orders = serializers.IntegerField()
    median_days = serializers.FloatField()
    shortest_days = serializers.IntegerField()
    longest_days = serializers.IntegerField()


class OfferSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    supplier = serializers.IntegerField(source="supplier_id")
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    supplier_number = serializers.CharField(allow_blank=True)
    price = _amount()
    currency = serializers.CharField(source="supplier.currency")
    pack_size = serializers.IntegerField()
    minimum_quantity = serializers.IntegerField()
    lead_days = serializers.IntegerField(help_text="Calendar days, as promised.")
    observed = ObservedSerializer(allow_null=True, help_text="Null: nothing has come yet.")
    preferred = serializers.BooleanField(help_text="Planning orders the part here.")


class OrderLineSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    order = serializers.IntegerField(source="order_id")
    part = serializers.IntegerField(source="part_id")
    part_number = serializers.CharField(source="part.number")
    quantity = serializers.IntegerField()
    planned_quantity = serializers.IntegerField()
    manual_quantity = serializers.IntegerField()
    unit_price = _amount()
    promised_on = serializers.DateField(allow_null=True)
    received_quantity = serializers.IntegerField()
    open_quantity = serializers.IntegerField()
    given_up = serializers.BooleanField()


class OrderSerializer(serializers.Serializer[Any]):
    id = serializers.IntegerField()
    store = serializers.IntegerField(source="store_id")
    supplier = serializers.IntegerField(source="supplier_id")
    supplier_name = serializers.CharField(source="supplier.name")
    state = serializers.ChoiceField(choices=_STATES)
    currency = serializers.CharField()
    value = _amount()
    note = serializers.CharField(allow_blank=True)
    raised_at = serializers.DateTimeField()
    submitted_at = serializers.DateTimeField(allow_null=True)
    approved_at = serializers.DateTimeField(allow_null=True)
    approved_by = serializers.CharField(
        source="approved_by.full_name", default=None, allow_null=True
    )
    sent_at = serializers.DateTimeField(allow_null=True)
    delivered_at = serializers.DateTimeField(
        allow_null=True, help_text="When the supplier's system took it."
    )
    closed_at = serializers.DateTimeField(allow_null=True)
    closed_why = serializers.CharField(allow_blank=True)


class OrderStepSerializer(serializers.Serializer[Any]):
    state = serializers.ChoiceField(choices=_STATES)
    what = serializers.CharField()
    by = serializers.CharField(source="by.full_name", default=None, allow_null=True)
    at = serializers.DateTimeField()


class OrderDetailSerializer(OrderSerializer):
    """The same with its lines and all that was done with it."""

    lines = OrderLineSerializer(many=True)
    steps = OrderStepSerializer(many=True)


class ServedSerializer(serializers.Serializer[Any]):
    demand = serializers.IntegerField(source="demand.pk")
    inspection = serializers.IntegerField(source="demand.inspection_id")
    pump_tag = serializers.CharField(source="demand.inspection.pump.tag")
    quantity = serializers.IntegerField(source="demand.quantity")
    needed_on = serializers.DateField(allow_null=True)
    bench = serializers.CharField(allow_blank=True)


class PutAwaySerializer(serializers.Serializer[Any]):
    """One receipt: the benches it serves first, and what is left for the bin."""

    movement = serializers.IntegerField(source="movement.pk")
    order_line = serializers.IntegerField(source="movement.order_line_id")
    part = serializers.IntegerField(source="movement.part_id")
    quantity = serializers.IntegerField(source="movement.on_hand_change")
    at = serializers.DateTimeField(source="movement.at")
    served = ServedSerializer(many=True)
    bin = serializers.CharField(allow_blank=True)
    to_bin = serializers.IntegerField()


class ApprovalLimitsSerializer(serializers.Serializer[Any]):
    """Up to which value each role may approve, in the store's currency; null: any value."""

    def get_fields(self) -> dict[str, Any]:
        return {
            role.value: _amount(allow_null=True, required=False)
            for role in Role
            if role in APPROVERS
        }


# --- Taken --------------------------------------------------------------------------------------


class NewSupplierSerializer(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=80)
    currency = serializers.CharField(max_length=3, default="EUR")
    email = serializers.EmailField(allow_blank=True, default="")
    minimum_order_value = _amount(default=Decimal(0))


class SupplierChangeSerializer(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=80, required=False)
    currency = serializers.CharField(max_length=3, required=False)
    email = serializers.EmailField(allow_blank=True, required=False)
    minimum_order_value = _amount(required=False)
    active = serializers.BooleanField(required=False)


class WebhookSerializer(serializers.Serializer[Any]):
    webhook_url = serializers.CharField(max_length=300, allow_blank=True)


class NewOfferSerializer(serializers.Serializer[Any]):
    supplier = serializers.PrimaryKeyRelatedField(queryset=Supplier.objects.all())
    part = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())
    supplier_number = serializers.CharField(max_length=60, allow_blank=True, default="")
    price = _amount()
    pack_size = serializers.IntegerField(default=1)
    minimum_quantity = serializers.IntegerField(default=1)
    lead_days = serializers.IntegerField()
    preferred = serializers.BooleanField(default=False)


class NewOrderSerializer(serializers.Serializer[Any]):
    store = ScopedRelatedField(queryset=selectors.stores())
    supplier = serializers.PrimaryKeyRelatedField(queryset=Supplier.objects.all())


class LineChangeSerializer(serializers.Serializer[Any]):
    part = serializers.PrimaryKeyRelatedField(queryset=selectors.catalogue())
    manual_quantity = serializers.IntegerField(
        help_text="Beside what planning asks for; 0 takes them out."
    )


class NoteSerializer(serializers.Serializer[Any]):
    note = serializers.CharField(max_length=300, allow_blank=True)


class OrderWhySerializer(serializers.Serializer[Any]):
    why = serializers.CharField(max_length=200)


class PromisedLineSerializer(serializers.Serializer[Any]):
    line = serializers.IntegerField()
    promised_on = serializers.DateField()


class DispatchSerializer(serializers.Serializer[Any]):
    promised = PromisedLineSerializer(
        many=True,
        required=False,
        help_text="Left out, the days come from the promised lead times.",
    )


class PromiseSerializer(serializers.Serializer[Any]):
    promised_on = serializers.DateField()


class LineReceiptSerializer(serializers.Serializer[Any]):
    quantity = serializers.IntegerField()
    over_ok = serializers.BooleanField(
        default=False, help_text="More than was ordered came, and it is taken."
    )
    bin = serializers.CharField(max_length=20, allow_blank=True, required=False)
    batch_code = serializers.CharField(max_length=40, allow_blank=True, default="")
    cured_on = serializers.DateField(required=False)
    expires_on = serializers.DateField(required=False)
    unit_cost = _amount(
        required=False,
        help_text="In the store's currency; left out: the line's price at the newest rate.",
    )
    reason = serializers.CharField(max_length=200, allow_blank=True, default="")
