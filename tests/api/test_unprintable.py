"""Characters that nobody sees are refused in every text: their place, what would be accepted.

Controls are the general category Cc of the Unicode Character Database (The Unicode Standard,
4.5), from memory.
"""

import pytest
from rest_framework import serializers

from api import drafts, resources
from api.fields import Text
from api.inputs import Input
from calibration.models import DriftFlag
from tests.api.conftest import NOW, V1, calibration, refused

NEVER = ["\x01", "\x07", "\x0b", "\x0c", "\x1b", "\x1f", "\x7f", "\x85"]
ONE_LINE, LINES = "printable text in one line", "printable text, in several lines if need be"


def texts_of(kind):
    """Yield the text fields of an input and of the inputs inside it."""
    for name, field in kind().fields.items():
        child = getattr(field, "child", field)
        if isinstance(child, Input):
            yield from texts_of(type(child))
        elif isinstance(child, serializers.CharField):
            yield kind, name, child


def inputs(kind=Input):
    for each in kind.__subclasses__():
        yield each
        yield from inputs(each)


def test_every_text_that_a_client_sends_is_looked_at():
    assert resources
    assert drafts
    found = [found for kind in inputs() for found in texts_of(kind)]
    assert len(found) > 30
    looked_at = Text, serializers.EmailField  # an address has an alphabet of its own
    free = {
        (kind.__name__, name) for kind, name, field in found if not isinstance(field, looked_at)
    }
    assert not free


@pytest.mark.parametrize("letter", [*NEVER, "\n", "\t"])
def test_a_name_holds_no_control_characters(manager, world, letter):
    body = {"dealer": world.dealers["A"].code, "name": f"Hof{letter}Nord"}
    (error,) = refused(manager.post(f"{V1}customers/", body), 422, "/name")["errors"]
    assert error["reason"] == f"Holds the character U+{ord(letter):04X}"
    assert error["accepted"] == ONE_LINE
    one = f"{V1}customers/{world.customers['A1'].pk}/"
    refused(manager.patch(one, {"name": f"Hof{letter}Nord"}), 422, "/name")


@pytest.mark.parametrize("letter", [*NEVER, "\n"])
def test_a_technician_is_named_in_one_line(tech, letter):
    body = calibration(technician=f"K.{letter}Wrona")
    (error,) = refused(tech.post(f"{V1}calibrations/", body), 422, "/technician")["errors"]
    assert error["accepted"] == ONE_LINE


@pytest.mark.parametrize("letter", NEVER)
def test_a_note_has_lines_and_no_other_controls(tech, letter):
    body = calibration(note=f"wet{letter}ground")
    (error,) = refused(tech.post(f"{V1}calibrations/", body), 422, "/note")["errors"]
    assert error["accepted"] == LINES
    said = tech.post(f"{V1}calibrations/", calibration(note="wet ground\n\tand cold\r\nłóżko"))
    assert said.status_code == 201
    assert said.json()["note"] == "wet ground\n\tand cold\r\nłóżko"


def test_a_reason_is_one_line(manager, world):
    flag = DriftFlag.objects.create(
        sensor=world.sensors["A1"], kind="overdue", level="watch", magnitude=3, tolerance=0,
        opened_at=NOW,
    )  # fmt: skip
    where = f"{V1}flags/{flag.pk}/close/"
    refused(manager.post(where, {"reason": "looked\x07into"}), 422, "/reason")
    flag.refresh_from_db()
    assert flag.status == "open"


def test_a_password_may_hold_any_character(world, nobody):
    person = world.users["techA"]
    person.set_password("tab\tand bell\x07")
    person.save()
    body = {"username": "techA", "password": "tab\tand bell\x07"}
    assert nobody.post(f"{V1}tokens/", body).status_code == 201
