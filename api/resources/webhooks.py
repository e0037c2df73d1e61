"""Addresses that are told what happens, signed as Standard Webhooks says."""

from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conditions import Whether
from api.fields import Text, Whole
from api.inputs import Input
from api.permissions import require
from api.refs import beside, ref, ref_filter
from api.registers import Register, dealer_or_own
from calibration import events, webhooks
from calibration.models import Event, Webhook
from fleet.models import Dealer

KINDS = [kind for kind in Event.Kind.values if kind != Event.Kind.TEST]


class WebhookInput(Input):
    """Where to tell, and of what: no kinds are all of them."""

    echoed = (
        "id", "told", "backlog", "attempts", "failing_since", "next_attempt_at", "last_told_at",
        "last_error", "created_at",
    )  # fmt: skip

    dealer = ref(Dealer, required=False)
    url = Text(max_length=300)
    kinds = serializers.ListField(child=serializers.ChoiceField(KINDS), required=False)
    active = serializers.BooleanField(required=False)


class ReplayInput(Input):
    """The number of the event after which everything is told again."""

    after = Whole(min_value=0)


class WebhookSerializer(serializers.ModelSerializer[Webhook]):
    """An address as the answer shows it; its secret is shown once, when it is made."""

    dealer_code = beside("dealer.code")
    kinds = serializers.ListField(child=serializers.ChoiceField(KINDS))
    backlog = serializers.SerializerMethodField(help_text="Events that it has not taken yet.")

    class Meta:
        model = Webhook
        fields = (
            "id", "dealer", "dealer_code", "url", "kinds", "active", "told", "backlog", "attempts",
            "failing_since", "next_attempt_at", "last_told_at", "last_error", "created_at",
        )  # fmt: skip

    def get_backlog(self, row: Webhook) -> int:
        """Return how many events wait for it."""
        return webhooks.backlog(row).count()


class SecretAnswer(WebhookSerializer):
    """An address with its secret: it is not shown again."""

    secret = serializers.CharField(help_text="whsec_ and base64; keep it.")

    class Meta:
        model = Webhook
        fields = (*WebhookSerializer.Meta.fields, "secret")


class WebhookViews(Register):
    """Addresses of the caller's dealers; told again and again until they take an event."""

    resource = "webhooks"
    model = Webhook
    related = ("dealer",)
    input = WebhookInput
    serializer_class = WebhookSerializer
    filters = {"dealer": ref_filter("dealer", Dealer), "active": Whether("active")}
    orderings = {"id": "pk", "failing_since": "failing_since"}
    order = ("pk",)
    fixed = {"dealer": "the dealer as it is; remove this and enter another"}
    verbs = {"rotate": "edit", "replay": "edit", "test": "edit"}

    def get_queryset(self) -> QuerySet[Webhook]:
        """Return the addresses; events that are committed by now count as their backlog."""
        if not getattr(self, "swagger_fake_view", False):
            events.number()
        return super().get_queryset()

    @extend_schema(responses={201: SecretAnswer})
    def create(self, request: Request) -> Response:
        """Enter an address; the answer holds its secret, which is not shown again."""
        values = dealer_or_own(self.checked(WebhookInput), self.scope, self.resource)
        require(self.scope, "create", self.resource, Webhook, values["dealer"].pk)
        row, secret = webhooks.enter(
            dealer=values["dealer"], url=values["url"], kinds=values.get("kinds", []),
            by=self.scope.user_id, now=self.now,
        )  # fmt: skip
        if not values.get("active", True):
            row = webhooks.change(row, active=False)
        answer = self.created(row)
        answer.data |= {"secret": secret}
        return answer

    def change(self, row: Webhook, values: dict[str, Any]) -> Webhook:
        """Change it."""
        values.pop("dealer", None)
        return webhooks.change(row, **values)

    def destroy(self, request: Request, pk: str) -> Response:
        """Remove it; nobody is told there any more."""
        self.get_object().delete()
        return Response(status=204)

    @extend_schema(request=None, responses={200: SecretAnswer})
    @action(detail=True, methods=["post"])
    def rotate(self, request: Request, pk: str) -> Response:
        """Make a new secret; for a day, the one before signs beside it."""
        row = self.get_object()
        secret = webhooks.rotate(row, now=self.now)
        return Response(self.shown(row) | {"secret": secret})

    @extend_schema(request=ReplayInput, responses=WebhookSerializer)
    @action(detail=True, methods=["post"])
    def replay(self, request: Request, pk: str) -> Response:
        """Tell it again of everything after an event."""
        row = self.get_object()
        return Response(self.shown(webhooks.replay(row, self.checked(ReplayInput)["after"])))

    @extend_schema(request=None, responses={202: WebhookSerializer})
    @action(detail=True, methods=["post"])
    def test(self, request: Request, pk: str) -> Response:
        """Have a message sent that says nothing but that it arrives."""
        row = self.get_object()
        webhooks.try_out(row, now=self.now)
        events.number()
        return Response(self.shown(row), 202)
