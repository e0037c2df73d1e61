"""What is kept about a customer as a person: given out whole, and erased.

Erasing replaces name, address and number wherever they stand: in the register, machine names,
visits, e-mails, uploaded files, reasons, the audit trail, the desk's own log, and in the free
words of sealed records. What was measured stays and still verifies: a record's digest covers its
words by a salted digest of their own (`calibration.digests.words_digest`), which stays when words
and salt go. Records sealed before there was such a digest (version 1) keep their words, and are
named. A name is looked for where the customer is: their machines, the sensors that ever sat on
them, their dealer's papers; somebody of the same name elsewhere is somebody else.
"""

import json
import re
import zipfile
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from io import BytesIO
from typing import Any
from uuid import UUID

from django.contrib.admin.models import LogEntry
from django.db import transaction
from django.db.models import Model, Q, QuerySet

from calibration import digests
from calibration.models import (
    Calibration,
    CustomerNote,
    Digest,
    DriftFlag,
    FunctionalTest,
    ImportRowOutcome,
    ImportRun,
    Visit,
)
from calibration.receiving import keeping
from fleet.errors import Invalid, Problem
from fleet.models import Change, Customer, Erasure, Installation, Machine
from fleet.models.folded import written_with
from fleet.registry import require
from fleet.scope import Scope

ERASED = "[erased]"
_KINDS: tuple[type[Calibration | FunctionalTest], ...] = (Calibration, FunctionalTest)


@dataclass(frozen=True)
class Erased:
    """What an erasure did: rows changed in each table, and records whose words had to stay."""

    counts: dict[str, int] = field(default_factory=dict)
    kept: list[UUID] = field(default_factory=list)


class Words:
    """The words that name a person, found whole and in any case."""

    def __init__(self, words: Iterable[str]) -> None:
        self.all = sorted({word.strip() for word in words if word.strip()}, key=len, reverse=True)
        parts = "|".join(re.escape(word) for word in self.all) or r"(?!)"
        self._pattern = re.compile(rf"(?<!\w)(?:{parts})(?!\w)", re.IGNORECASE)

    def found(self, value: Any) -> bool:
        """Whether one of them stands in a text, or anywhere in JSON values."""
        return bool(self.without(value) != value)

    def without(self, value: Any) -> Any:
        """Return a text or JSON values with each of them replaced."""
        if isinstance(value, str):
            return self._pattern.sub(ERASED, value)
        if isinstance(value, list):
            return [self.without(each) for each in value]
        if isinstance(value, dict):
            return {str(self.without(key)): self.without(each) for key, each in value.items()}
        return value


# ── Whose, and where ──────────────────────────────────────────────────────────
def _said_of(customer: Customer) -> list[str]:
    """Return every name, address and number that the customer has, or had by the audit trail."""
    said = [customer.name, customer.email, customer.phone]
    for row in Change.objects.filter(table="fleet_customer", row=str(customer.pk)):
        for image in (row.before or {}, row.after or {}):
            said += [str(image.get(name) or "") for name in ("name", "email", "phone")]
    return [text for text in said if text and ERASED not in text]


def _machines(customer: Customer) -> set[int]:
    """Return the keys of the customer's machines, with those that the audit trail calls theirs."""
    own = set(Machine.objects.filter(customer=customer).values_list("pk", flat=True))
    moved = Change.objects.filter(table="fleet_machine", machine__isnull=False)
    theirs = Q(customer=customer) | Q(after__customer_id=customer.pk)
    return own | {int(key) for key in moved.filter(theirs).values_list("machine_id", flat=True)}


def _records(
    model: type[Calibration | FunctionalTest], machines: set[int]
) -> list[Calibration | FunctionalTest]:
    return list(model.objects.filter(installation__machine__in=machines).order_by("pk"))


def _changes(customer: Customer, machines: set[int]) -> QuerySet[Change]:
    """Return the audit trail of the customer, their machines and the sensors that sat there."""
    seated = Installation.objects.filter(machine__in=machines).values("sensor")
    about = Q(customer=customer) | Q(machine__in=machines) | Q(sensor__in=seated)
    rows: QuerySet[Change] = Change.objects.filter(about).order_by("pk")
    return rows


# ── Giving out ────────────────────────────────────────────────────────────────
def personal_data(customer: Customer, *, scope: Scope) -> dict[str, Any]:
    """Return everything that is kept about a customer as a person.

    Raises
    ------
    Forbidden
        If the caller does not manage the customer's dealer.
    """
    require(scope, "edit", "customers", customer.dealer_id)
    machines, words = _machines(customer), Words(_said_of(customer))
    visits = Visit.objects.filter(customer=customer).order_by("planned_on")
    digests_sent = Digest.objects.filter(dealer=customer.dealer_id).order_by("day")
    notes = CustomerNote.objects.filter(visit__customer=customer).order_by("planned_on")
    mails = [*((row.day, row) for row in digests_sent), *((row.planned_on, row) for row in notes)]
    return {
        "customer": {
            "id": customer.pk, "dealer": customer.dealer.code, "name": customer.name,
            "email": customer.email, "phone": customer.phone,
        },
        "machines": list(
            Machine.objects.filter(customer=customer).order_by("pk").values("serial", "name")
        ),
        "visits": [
            {"planned_on": row.planned_on, "status": row.status, "note": row.note}
            for row in visits
        ],
        "e_mails": [
            {"day": day, "subject": row.subject, "lines": _lines(row.body, words)}
            for day, row in mails if words.found([row.subject, row.body])
        ],
        "records": [
            {"id": row.pk, "performed_at": row.performed_at} | _words_of(row)
            for model in _KINDS
            for row in _records(model, machines) if words.found(_words_of(row))
        ],
        "changes": [
            {"at": row.at, "what": row.what, "before": row.before, "after": row.after}
            for row in _changes(customer, machines)
            if row.customer_id == customer.pk or words.found([row.before, row.after])
        ],
    }  # fmt: skip


def _lines(text: str, words: Words) -> list[str]:
    return [line for line in text.splitlines() if words.found(line)]


def _words_of(row: Calibration | FunctionalTest) -> dict[str, str]:
    return {name: getattr(row, name) for name in digests.WORDS}


# ── Erasing ───────────────────────────────────────────────────────────────────
@transaction.atomic
def erase(
    customer: Customer, *, scope: Scope, now: datetime, confirm: str, also: Sequence[str] = ()
) -> Erased:
    """Replace a customer's name, address and number everywhere; measurements stay and verify.

    `confirm` is the customer's name, so that nobody erases by mistake; `also` are further words
    that name the person: a nickname, a misspelling.

    Raises
    ------
    Forbidden
        If the caller does not manage the customer's dealer.
    Invalid
        If the name is not the customer's, or a further word is too short to be looked for.
    """
    require(scope, "edit", "customers", customer.dealer_id)
    customer = Customer.objects.select_for_update().get(pk=customer.pk)
    if confirm != customer.name:
        raise Invalid(Problem("confirm", "It is not the customer's name", "the name as it is"))
    if short := [word for word in also if len(word.strip()) < 3]:
        raise Invalid(Problem("also", "Too short to look for", "3 characters or more", short[0]))
    erasure = Erasure.objects.create(
        dealer_id=customer.dealer_id, customer=customer, erased_by_id=scope.user_id, erased_at=now
    )
    machines, words = _machines(customer), Words([*_said_of(customer), *also])
    counts, kept = Counter[str](), list[UUID]()
    for model in _KINDS:
        kept += _erase_words(_records(model, machines), words, counts)
    _erase_register(customer, machines, words, counts)
    _erase_papers(customer, machines, words, counts)
    # Last: what was done until here is in the audit trail too.
    _replace(_changes(customer, machines), ("before", "after"), words, counts)
    done = {name: number for name, number in counts.items() if number}
    Erasure.objects.filter(pk=erasure.pk).update(counts=done, open=False)
    return Erased(done, kept)


def _erase_words(
    rows: list[Calibration | FunctionalTest], words: Words, counts: Counter[str]
) -> list[UUID]:
    """Erase words of sealed records; return those that cannot lose theirs and still verify."""
    kept = []
    for row in rows:
        said = _words_of(row)
        if not words.found(said):
            continue
        if not row.words_salt and not row.words_digest:
            kept.append(row.pk)
            continue
        digest = row.words_digest or digests.words_digest(row.words_salt, **said)
        left = words.without(said) | {"words_salt": "", "words_digest": digest}
        type(row).objects.filter(pk=row.pk).update(**left)
        counts[str(row._meta.verbose_name)] += 1
    return kept


def _erase_register(
    customer: Customer, machines: set[int], words: Words, counts: Counter[str]
) -> None:
    anonymous = f"erased customer {customer.pk}"
    changed = {"name": anonymous, "email": "", "phone": ""}
    _write(customer, changed)
    counts["customer"] += 1
    _replace(Machine.objects.filter(pk__in=machines), ("name",), words, counts)
    _erase_log("customer", {customer.pk}, words)
    _erase_log("machine", machines, words)


def _erase_log(kind: str, keys: set[int], words: Words) -> None:
    """The desk's own log names what was edited."""
    entries = LogEntry.objects.filter(
        content_type__app_label="fleet", content_type__model=kind,
        object_id__in=[str(key) for key in keys],
    )  # fmt: skip
    for entry in entries:
        entry.object_repr = words.without(entry.object_repr)
        entry.change_message = words.without(entry.change_message)
        entry.save()


def _erase_papers(
    customer: Customer, machines: set[int], words: Words, counts: Counter[str]
) -> None:
    """Visits, e-mails, reasons, and the files that were uploaded."""
    seated = Installation.objects.filter(machine__in=machines).values("sensor")
    dealers = {"dealer": customer.dealer_id}
    _replace(Visit.objects.filter(customer=customer), ("note",), words, counts)
    _replace(DriftFlag.objects.filter(sensor__in=seated), ("close_reason",), words, counts)
    for mails in (
        Digest.objects.filter(**dealers),
        CustomerNote.objects.filter(visit__customer=customer),
    ):
        _replace(mails, ("subject", "body", "recipients", "last_error"), words, counts)
    runs = ImportRun.objects.filter(**dealers)
    for run in runs:
        for path in keeping.files_of(run):
            if words.found(_text_of(path.read_bytes())):
                # Where this is rolled back, the file is gone all the same: better so than kept.
                path.unlink(missing_ok=True)
                counts["uploaded file"] += 1
    _replace(runs, ("file_name", "check_result", "commit_result", "reason"), words, counts)
    rows = ImportRowOutcome.objects.filter(run__in=runs)
    _replace(rows, ("record_id", "value", "reason", "accepted"), words, counts)


def _text_of(content: bytes) -> str:
    """Return the text of a record file; a workbook's is in its parts."""
    if not zipfile.is_zipfile(BytesIO(content)):
        return content.decode("utf-8", "replace")
    with zipfile.ZipFile(BytesIO(content)) as book:
        parts = [book.read(name).decode("utf-8", "replace") for name in book.namelist()]
    return re.sub(r"<[^>]*>", "\n", "\n".join(parts)).replace("&amp;", "&")


def _replace(
    rows: QuerySet[Any], columns: Sequence[str], words: Words, counts: Counter[str]
) -> None:
    """Replace the words in columns of rows, one row after the other."""
    for row in rows.only("pk", *columns).iterator(chunk_size=500):
        said = {name: getattr(row, name) for name in columns}
        left = words.without(json.loads(json.dumps(said, default=str)))
        if left != said:
            _write(row, left)
            counts[str(row._meta.verbose_name)] += 1


def _write(row: Model, values: Mapping[str, Any]) -> None:
    """Store columns of a row, and what is folded from them."""
    for name, value in values.items():
        setattr(row, name, value)
    row.save(update_fields=written_with(type(row), values))
