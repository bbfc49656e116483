"""Django's own admin, for rare repairs. What is a fact of the past can only be read there."""

from typing import TYPE_CHECKING, Any

from django.contrib import admin
from django.db.models import Model
from django.http import HttpRequest

from inventory.models import (
    ApparatusEvent,
    ApparatusItem,
    Attachment,
    Booking,
    Hold,
    Lot,
    LotEvent,
    LotParent,
    Movement,
    Place,
    Substance,
    SubstanceEvent,
    WasteStream,
)

if TYPE_CHECKING:
    ModelAdmin = admin.ModelAdmin[Model]
else:  # the class takes its parameter from the type checker only
    ModelAdmin = admin.ModelAdmin


class ReadOnlyAdmin(ModelAdmin):
    """Rows that only services write: no add, no change, no delete, not even for a superuser."""

    def has_add_permission(self, request: HttpRequest, *args: Any) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


@admin.register(Movement)
class MovementAdmin(ReadOnlyAdmin):
    list_display = ["id", "lot", "kind", "amount", "actor", "at", "reason"]
    list_filter = ["kind", "at"]
    list_select_related = ["lot", "actor"]
    search_fields = ["lot__code", "reason"]


@admin.register(Hold)
class HoldAdmin(ReadOnlyAdmin):
    list_display = ["id", "lot", "amount", "state", "purpose", "actor", "at"]
    list_filter = ["state"]
    list_select_related = ["lot", "actor"]
    search_fields = ["lot__code", "purpose"]


@admin.register(LotEvent)
class LotEventAdmin(ReadOnlyAdmin):
    list_display = ["id", "lot", "event", "from_state", "to_state", "actor", "at", "reason"]
    list_select_related = ["lot", "actor"]
    search_fields = ["lot__code"]


@admin.register(LotParent)
class LotParentAdmin(ReadOnlyAdmin):
    list_display = ["child", "parent"]
    list_select_related = ["child", "parent"]


@admin.register(Lot)
class LotAdmin(ReadOnlyAdmin):
    """A bottle is put right on its own page, where the change is written down."""

    list_display = ["code", "substance", "kind", "on_hand", "held", "state", "expires_on"]
    list_filter = ["kind", "state"]
    list_select_related = ["substance"]
    search_fields = ["code", "substance__name", "lot_number"]


@admin.register(Substance)
class SubstanceAdmin(ModelAdmin):
    list_display = ["name", "formula", "cas", "form"]
    search_fields = ["name", "cas", "formula"]
    # Bottles, orders and sheets name it by its key.
    readonly_fields = ["key"]
    # What the stockroom decided is changed on its own page, where the change is written down.
    exclude = [
        "grade",
        "storage_group",
        "shelf_life_closed_days",
        "shelf_life_opened_days",
        "reorder_below",
        "idempotency_key",
    ]

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


@admin.register(SubstanceEvent)
class SubstanceEventAdmin(ReadOnlyAdmin):
    list_display = ["substance", "event", "actor", "at", "reason"]
    list_select_related = ["substance", "actor"]
    search_fields = ["substance__name"]


@admin.register(Attachment)
class AttachmentAdmin(ReadOnlyAdmin):
    """Withdrawn on its own page, where who and why are written down."""

    list_display = ["name", "kind", "lot", "substance", "size", "added_by", "added_at", "withdrawn_at"]
    list_filter = ["kind"]
    list_select_related = ["lot", "substance", "added_by"]
    search_fields = ["name", "lot__code", "substance__name", "sha256"]


@admin.register(WasteStream)
class WasteStreamAdmin(ReadOnlyAdmin):
    list_display = ["name", "note", "in_use"]


@admin.register(Place)
class PlaceAdmin(ModelAdmin):
    list_display = ["__str__", "parent"]
    list_select_related = ["parent"]
    search_fields = ["name"]


@admin.register(ApparatusItem)
class ApparatusItemAdmin(ReadOnlyAdmin):
    """It is changed on its own page, where the change is written down."""

    list_display = ["__str__", "apparatus_class", "standard", "count", "in_service", "place"]
    list_filter = ["type", "in_service"]
    list_select_related = ["place__parent"]
    search_fields = ["code", "name"]


@admin.register(ApparatusEvent)
class ApparatusEventAdmin(ReadOnlyAdmin):
    list_display = ["item", "event", "actor", "at", "reason"]
    list_select_related = ["item", "actor"]
    search_fields = ["item__code"]


@admin.register(Booking)
class BookingAdmin(ReadOnlyAdmin):
    list_display = ["item", "count", "starts_at", "ends_at", "purpose", "state", "actor"]
    list_filter = ["state"]
    list_select_related = ["item", "actor"]
    search_fields = ["item__code", "purpose"]
