"""Days on which somebody cannot be planned for."""

from django.contrib import admin

from fleet.admin.filters import ScopedRelatedFilter
from fleet.admin.scoped import Scoped
from fleet.models import Blackout, DayOff


@admin.register(DayOff)
class DayOffAdmin(Scoped):
    """Technicians' days off."""

    resource = "days-off"
    list_display = ("membership", "first_day", "last_day", "reason")
    list_select_related = ("membership__user", "membership__dealer")
    list_filter = (("membership__dealer", ScopedRelatedFilter),)
    fields = ("membership", "first_day", "last_day", "reason")


@admin.register(Blackout)
class BlackoutAdmin(Scoped):
    """Days on which a customer cannot be visited."""

    resource = "blackouts"
    list_display = ("customer", "first_day", "last_day", "reason")
    list_select_related = ("customer__dealer",)
    list_filter = (("customer__dealer", ScopedRelatedFilter),)
    search_fields = ("customer__name", "reason")
    autocomplete_fields = ("customer",)
    fields = ("customer", "first_day", "last_day", "reason")
