"""The digests of a sensor's records as a file that anybody can check, and how to check it."""

import hashlib
from collections.abc import Iterable, Mapping
from datetime import UTC
from typing import Any

from calibration.models import Calibration, FunctionalTest, SealedRecord
from fleet.models import Sensor
from fleet.scope import Scope

HEADER = """\
# Digests of sensor {serial}. Fields are separated by one tab. See README.txt.
# calibration|functional test, number, record, content digest, recorded at, recorded by, digest
"""

README = """\
Dossier of load cell {serial}, issued {issued_at} by {dealer}.

dossier.pdf           the cell's whole life, to read
calibrations.csv      every calibration, one row a point, in the record file's columns; the
                      customer's column stays empty
functional_tests.csv  every functional test, one row a setpoint
history.json          the same as data, with fits, verdicts, flags and due day
digests.txt           SHA-256 digests: of every record, and of the files above

What the digests prove
----------------------
Every record of the cell has a digest of its content (what was measured and said) and one that
ties it to the record before it: the SHA-256 of the JSON list

    [digest before, number, content digest, recorded at, recorded by]

written without blanks; the first record follows 64 zeros. Calibrations and functional tests have
a chain each. So a record that was altered, taken out or put in later breaks every digest after
it. The last digest of a dossier issued earlier must be found again in every later one.

To check this folder, save the lines between the marks as check.py beside these files and run it
with Python 3; it needs nothing else and changes nothing.

---- 8< ----
import hashlib
import json

last, wrong = {{}}, 0
for line in open("digests.txt", encoding="utf-8"):
    if line.startswith("#") or not line.strip():
        continue
    what, *fields = line.rstrip("\\n").split("\\t")
    if what == "file":
        name, stated = fields
        found = hashlib.sha256(open(name, "rb").read()).hexdigest()
    else:
        number, name, content, at, by, stated = fields
        before, count = last.get(what, ("0" * 64, 0))
        basis = [before, count + 1, content, at, int(by) if by else None]
        text = json.dumps(basis, separators=(",", ":"))
        found = hashlib.sha256(text.encode()).hexdigest()
        if int(number) != count + 1:
            found = "a record is missing"
        last[what] = (stated, int(number))
    wrong += found != stated
    print("ok     " if found == stated else "ALTERED", what, name)
raise SystemExit(1 if wrong else 0)
---- 8< ----

The content digests themselves are recomputed where the records are kept, by

    python manage.py verify

which names every record whose content no longer has the digest that stands here. Free text of
another dealer (who measured, notes) is left out of this dossier, and is part of that content.
"""


def record_lines(sensor: Sensor, scope: Scope) -> list[dict[str, Any]]:
    """Return number, record and digests of every record of a sensor, oldest first, by kind."""
    return [
        _line(kind, record)
        for kind, model in (("calibration", Calibration), ("functional test", FunctionalTest))
        for record in model.objects.visible_to(scope)
        .filter(sensor=sensor)
        .order_by("chain_number")
    ]


def _line(kind: str, record: SealedRecord) -> dict[str, Any]:
    recorded_at = record.recorded_at.astimezone(UTC).isoformat(timespec="microseconds")
    return {
        "kind": kind,
        "number": record.chain_number,
        "record": str(record.pk),
        "content": record.content_digest,
        "recorded_at": recorded_at,
        "recorded_by": "" if record.recorded_by_id is None else str(record.recorded_by_id),
        "digest": record.digest,
    }


def digests_file(
    sensor: Sensor, records: Iterable[Mapping[str, Any]], files: Mapping[str, bytes]
) -> bytes:
    """Return digests.txt."""
    lines = ["\t".join(str(value) for value in record.values()) for record in records]
    lines += [
        f"file\t{name}\t{hashlib.sha256(content).hexdigest()}" for name, content in files.items()
    ]
    return (HEADER.format(serial=sensor.serial) + "\n".join(lines) + "\n").encode()


def readme(*, serial: str, issued_at: str, dealer: str) -> bytes:
    """Return README.txt."""
    return README.format(serial=serial, issued_at=issued_at, dealer=dealer).encode()
