"""Calendars to subscribe to: a secret address for a dealer's visits, or one technician's."""

from typing import Any

from django.db.models import Q, QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.inputs import Input
from api.permissions import require
from api.refs import beside, ref, ref_filter
from api.registers import Resource, dealer_or_own
from calibration.models import CalendarFeed
from calibration.planning import feeds
from fleet.access import may, users_visible_to
from fleet.errors import Forbidden
from fleet.models import Dealer, User
from fleet.scope import Scope


class FeedInput(Input):
    """Whose visits; where nobody is named, all of the dealer's, for a technician their own."""

    dealer = ref(Dealer, required=False)
    technician = ref(User, required=False, allow_null=True)


class FeedSerializer(serializers.ModelSerializer[CalendarFeed]):
    """A calendar without its secret."""

    dealer_code = beside("dealer.code")
    technician_username = beside("technician.username", nullable=True)

    class Meta:
        model = CalendarFeed
        fields = (
            "id", "dealer", "dealer_code", "technician", "technician_username", "created_at",
        )  # fmt: skip


class NewFeedSerializer(FeedSerializer):
    """A calendar with its address, shown this once."""

    address = serializers.CharField(read_only=True)

    class Meta(FeedSerializer.Meta):
        fields = (*FeedSerializer.Meta.fields, "address")  # type: ignore[assignment] # one more


class CalendarFeedViews(Resource):
    """Calendars of the caller's dealers; a technician's own, where the caller is no manager."""

    resource = "calendar-feeds"
    model = CalendarFeed
    related = ("dealer", "technician")
    serializer_class = FeedSerializer
    input = FeedInput
    filters = {
        "dealer": ref_filter("dealer", Dealer),
        "technician": ref_filter("technician", User),
    }
    orderings = {"created_at": "created_at", "id": "pk"}
    order = ("pk",)
    verbs = {"renew": "edit"}

    def visible(self, scope: Scope) -> QuerySet[CalendarFeed]:
        """Return the calendars of dealers that the caller manages, and the caller's own."""
        rows: QuerySet[CalendarFeed] = CalendarFeed.objects.visible_to(scope)
        if scope.administers:
            return rows
        return rows.filter(Q(dealer__in=scope.manages) | Q(technician=scope.user_id))

    @extend_schema(responses={201: NewFeedSerializer})
    def create(self, request: Request) -> Response:
        """Give a calendar an address; it is shown this once."""
        values = dealer_or_own(self.checked(FeedInput), self.scope, self.resource)
        dealer = values["dealer"]
        require(self.scope, "create", self.resource, CalendarFeed, dealer.pk)
        manages = may(self.scope, "edit", "visits", dealer.pk)
        oneself = None if manages else users_visible_to(self.scope).get(pk=self.scope.user_id or 0)
        technician = values.get("technician", oneself)
        own = technician is not None and technician.pk == self.scope.user_id
        if not own and not manages:
            raise Forbidden("A technician's calendar holds their own visits: name yourself.")
        feed, secret = feeds.give(dealer=dealer, technician=technician, now=self.now)
        return self._told(feed, secret, 201)

    @extend_schema(request=None, responses=NewFeedSerializer)
    @action(detail=True, methods=["post"])
    def renew(self, request: Request, pk: str) -> Response:
        """Give a calendar another address; the one before is dead at once."""
        feed = self.get_object()
        return self._told(feed, feeds.renew(feed, now=self.now), 200)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Revoke a calendar's address."""
        self.get_object().delete()
        return Response(status=204)

    def _told(self, feed: CalendarFeed, secret: str, status: int) -> Response:
        here = self.request.build_absolute_uri(f"/api/v1/calendars/{secret}.ics")
        shown: dict[str, Any] = {**self.shown(feed), "address": here}
        return Response(shown, status)
