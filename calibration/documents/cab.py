"""The card that stays in the cab: a machine's numbers, small, to be cut out and laminated."""

from datetime import datetime
from typing import Any

from calibration import readout
from calibration.documents.latest import latest_answers
from calibration.documents.wording import dealer_facts, local_day, natural, quantity
from calibration.models import DueState
from fleet.errors import NotFound
from fleet.models import Dealer, Installation, Machine
from fleet.scope import Scope

ROWS_PER_CARD = 8


def cab_card_data(machine: Machine, *, scope: Scope, now: datetime, link: str) -> dict[str, Any]:
    """Return what a machine's card shows; it names no owner, for a card stays when one sells."""
    row = (
        Machine.objects.visible_to(scope)
        .select_related("model", "customer__dealer")
        .filter(pk=machine.pk)
        .first()
    )
    if row is None:
        raise NotFound("There is no such machine.")
    dealer = row.customer.dealer
    places = list(
        Installation.objects.visible_to(scope)
        .filter(machine=row, removed_on__isnull=True)
        .select_related("sensor")
    )
    sensor_ids = [place.sensor_id for place in places]
    latest = latest_answers(sensor_ids, scope)
    due = dict(
        DueState.objects.visible_to(scope)
        .filter(sensor_id__in=sensor_ids)
        .values_list("sensor_id", "due_on")
    )
    lines = []
    for place in sorted(places, key=lambda one: natural(one.position)):
        answer, due_on = latest.get(place.sensor_id), due.get(place.sensor_id)
        lines.append(
            {
                "position": place.position,
                "serial": place.sensor.serial,
                "due_on": due_on.isoformat() if due_on else "",
                **_numbers(answer, place, dealer),
            }
        )
    return {
        "issued_on": local_day(now, dealer),
        "dealer": dealer_facts(dealer),
        "machine": {"serial": row.serial, "name": row.name, "model": row.model.name},
        "cards": [lines[at : at + ROWS_PER_CARD] for at in range(0, len(lines), ROWS_PER_CARD)]
        or [[]],
        "link": link,
    }


def _numbers(answer: dict[str, Any] | None, place: Installation, dealer: Dealer) -> dict[str, Any]:
    """Return the numbers to enter in the console; none from before the cell came here."""
    nothing = {
        "slope": None, "offset": None, "performed_on": "", "verdict": "", "doubt": None
    }  # fmt: skip
    if answer is None or not answer["fit"]:
        return nothing
    day = local_day(datetime.fromisoformat(answer["performed_at"]), dealer)
    if day < place.installed_on.isoformat():
        return nothing
    fit, load, reading = answer["fit"], answer["load_unit"], answer["reading_unit"]
    return {
        "slope": quantity(fit["slope"], fit["u_slope"], f"{reading}/{load}"),
        "offset": quantity(fit["offset"], fit["u_offset"], reading),
        "performed_on": day,
        "verdict": answer["verdict"],
        "doubt": readout.doubt_in(answer),
    }
