"""The record file's format: its columns, how a record is named, how a text cell is made harmless.

One row per point. Reading (`calibration.importing`) and writing (`calibration.exporting`) share
nothing but this page, so that what one writes the other takes.
"""

import re
import uuid

COLUMNS = (
    "record_id", "customer", "machine", "machine_model", "position", "sensor", "sensor_model",
    "lot", "performed_at", "technician", "reason", "stage", "reference", "load", "load_unit",
    "reading", "reading_unit", "direction", "temperature_c", "hydraulic_pressure",
    "pressure_unit", "note",
)  # fmt: skip
# May be left out. The first two carry corrections; the rest carry what a register knows about a
# sensor beyond its name, so that an export loads back to the same register.
OPTIONAL = (
    "supersedes", "supersede_reason", "installed_on", "removed_on", "tag_zero_reading",
    "tag_span_reading", "tag_span_load", "tag_load_unit",
)  # fmt: skip
# Written into a file of refused rows, and ignored when that file is loaded again.
REFUSED_BECAUSE = "refused_because"
# What differs from row to row of one record; everything else is said of the record.
OF_A_POINT = ("load", "reading", "direction")

# A fixed name space: the same text at the same dealer gives the same record, on any machine.
NAMESPACE = uuid.UUID("5d3a4c62-7f0e-5b8e-9c1d-2f4b6a8e0c13")
_UUID = re.compile(r"[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}")

# A spreadsheet takes a cell that begins so for a formula; a leading ' keeps it a text.
_DANGEROUS = re.compile(r"'*[=+\-@\t\r]")


def record_uuid(text: str, *, dealer_code: str) -> uuid.UUID:
    """Return the record that a `record_id` names.

    A UUID in its usual form (8-4-4-4-12 hexadecimal digits) is itself. Any other text becomes
    the name-based UUID (version 5, RFC 9562) of the dealer's code, a colon and the text: two
    dealers may both count their records from 1, and the code of a dealer has no colon in it.
    """
    if _UUID.fullmatch(text):
        return uuid.UUID(text)
    return uuid.uuid5(NAMESPACE, f"{dealer_code}:{text}")


def escape(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula; `unescape` gives it back exactly."""
    return f"'{text}" if _DANGEROUS.match(text) else text


def unescape(text: str) -> str:
    """Take away the one apostrophe that `escape` put before a text, and nothing else."""
    return text[1:] if text.startswith("'") and _DANGEROUS.match(text) else text
