"""What the entry forms of the desk are sent."""

import uuid


def rows(prefix: str, *filled: dict) -> dict:
    data = {f"{prefix}-TOTAL_FORMS": "6", f"{prefix}-INITIAL_FORMS": "0"}
    for number, row in enumerate(filled):
        data |= {f"{prefix}-{number}-{name}": value for name, value in row.items()}
    return data


def typed(*points: tuple[str, str], **changes) -> dict:
    return {
        "id": str(uuid.uuid4()), "sensor": "S-A1", "performed_at": "2026-03-10 09:00",
        "reason": "seasonal", "stage": "as_found", "load_unit": "daN", "reading_unit": "count",
        "technician": "Tilda", "_save": "1",
        **rows("points", *({"load": a, "reading": b, "direction": "up"} for a, b in points)),
        **changes,
    }  # fmt: skip


GOOD = (("0", "20000"), ("100", "30000"))


def refused(answer) -> tuple[dict, list]:
    assert answer.status_code == 200
    return answer.context["form"].errors, answer.context["rows"].errors


def steps(*filled: tuple[str, str], **changes) -> dict:
    return {
        "id": str(uuid.uuid4()), "sensor": "S-A1", "performed_at": "2026-03-11 09:00",
        "load_unit": "daN", "pressure_unit": "bar",
        **rows("steps", *({"commanded": a, "displayed_mean": b, "observed": "steady"}
                          for a, b in filled)), **changes,
    }  # fmt: skip
