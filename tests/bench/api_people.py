"""In a process of its own, on the bench's database: an administrator, and a long history.

Run by `api_fleet`; prints one JSON object: the administrator's token and the sensor's key.
"""

import json
import os
import sys
from datetime import timedelta


def main() -> None:
    """Enter the person and the records."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fleet.config.settings")
    import django

    django.setup()
    from calibration.models import Calibration
    from calibration.records import CalibrationDraft, PointDraft, Recorded, record_many
    from fleet.models import Membership, Role, User
    from fleet.scope import Scope
    from tests.bench.api_fleet import now

    person = User.objects.create_user("bench", "bench@people.example", "only-for-the-bench-1")
    Membership.objects.create(user=person, role=Role.ADMINISTRATOR)
    _, token = person.auth_token_set.create(name="bench")
    rows = Calibration.objects.filter(sensor__dealer=1).select_related("sensor", "reference")
    last = rows.filter(reference__isnull=False).earliest("sensor_id", "-performed_at")
    there = list(Calibration.objects.filter(sensor=last.sensor).order_by("performed_at"))
    points = tuple(
        PointDraft(point.load, point.reading, point.direction) for point in last.points.all()
    )
    reference = last.reference if last.reference.dealer_id == last.sensor.dealer_id else None
    drafts = [
        CalibrationDraft(
            sensor=last.sensor, performed_at=there[-1].performed_at + timedelta(minutes=7 * step),
            load_unit=last.load_unit, reading_unit=last.reading_unit, reference=reference,
            points=points,
        )
        for step in range(1, int(sys.argv[1]) - len(there) + 1)
    ]  # fmt: skip
    for outcome in record_many(drafts, scope=Scope.system(), now=now()):
        assert isinstance(outcome, Recorded), outcome
    print(json.dumps({"token": token, "sensor": last.sensor_id}))


if __name__ == "__main__":
    main()
