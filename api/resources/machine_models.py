"""Makes and types of seeding machines: a catalogue."""

from typing import Any

from rest_framework import serializers

from api.conditions import Contains, OneOf
from api.fields import Text, Whole
from api.inputs import Input
from api.registers import Register
from fleet.models import MachineModel

KINDS: tuple[Any, ...] = tuple(MachineModel._meta.get_field("kind").flatchoices)


class MachineModelInput(Input):
    """What is said of a machine model."""

    echoed = ("id",)

    name = Text(max_length=80)
    kind = serializers.ChoiceField(choices=KINDS, required=False)
    rows = Whole(required=False, min_value=1, max_value=500)


class MachineModelSerializer(serializers.ModelSerializer[MachineModel]):
    """A machine model as the answer shows it."""

    class Meta:
        model = MachineModel
        fields = ("id", "name", "kind", "rows")


class MachineModelViews(Register):
    """Machine models: everybody reads them, administrators enter and edit them."""

    resource = "machine-models"
    model = MachineModel
    input = MachineModelInput
    serializer_class = MachineModelSerializer
    filters = {"name": Contains("name"), "kind": OneOf("kind", tuple(key for key, _ in KINDS))}
    search_fields = ("name",)
    orderings = {"name": "name", "kind": "kind", "rows": "rows", "id": "pk"}
    order = ("name",)
