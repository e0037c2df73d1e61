"""A customer as a person erased: words replaced wherever they stand, records stay and verify."""

import json
import re
import zipfile
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from io import BytesIO
from typing import Any
from urllib.parse import unquote_plus
from uuid import UUID

from django.contrib.admin.models import LogEntry
from django.db import transaction
from django.db.models import Model, Q, QuerySet

from calibration import digests
from calibration.models import (
    CustomerNote,
    Digest,
    DriftFlag,
    FlagFamily,
    ImportRowOutcome,
    ImportRun,
    KeptLook,
    SeasonPlan,
    Visit,
)
from calibration.personal.whose import (
    KINDS,
    Sealed,
    changes_about,
    machines_of,
    records_of,
    said_of,
    words_of,
)
from calibration.personal.words import ERASED, Words
from calibration.receiving import keeping
from fleet.errors import Invalid, Problem
from fleet.models import Blackout, Change, Customer, Erasure, Installation, Machine, Membership
from fleet.models.folded import with_folded
from fleet.registry import require
from fleet.scope import Scope


@dataclass(frozen=True)
class Erased:
    """What an erasure did: rows changed in each table, and records whose words had to stay."""

    counts: dict[str, int] = field(default_factory=dict)
    kept: list[UUID] = field(default_factory=list)


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
    machines, words = machines_of(customer), Words([*said_of(customer), *also])
    counts, kept = Counter[str](), list[UUID]()
    for model in KINDS:
        kept += _erase_words(records_of(model, machines), words, counts)
    _erase_register(customer, machines, words, counts)
    _erase_papers(customer, machines, words, counts)
    # Last: what was done until here is in the audit trail too.
    _erase_places(customer)
    _replace(changes_about(customer, machines), ("before", "after"), words, counts)
    done = {name: number for name, number in counts.items() if number}
    Erasure.objects.filter(pk=erasure.pk).update(counts=done, open=False)
    return Erased(done, kept)


def _erase_words(rows: list[Sealed], words: Words, counts: Counter[str]) -> list[UUID]:
    """Erase words of sealed records; return those that cannot lose theirs and still verify."""
    kept = []
    for row in rows:
        said = words_of(row)
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
    changed = {
        "name": anonymous, "email": "", "phone": "", "latitude": None, "longitude": None,
    }  # fmt: skip
    _write(customer, changed)
    counts["customer"] += 1
    _replace(Machine.objects.filter(pk__in=machines), ("name",), words, counts)
    visits = Visit.objects.filter(customer=customer).values_list("pk", flat=True)
    seats = Installation.objects.filter(machine__in=machines).values_list("pk", flat=True)
    for kind, keys in (
        ("fleet.customer", [customer.pk]), ("fleet.machine", machines),
        ("fleet.installation", seats), ("calibration.visit", visits),
    ):  # fmt: skip
        _erase_log(kind, keys, words)


def _erase_places(customer: Customer) -> None:
    """The trail tells where the customer's farm lies."""
    for row in Change.objects.filter(table="fleet_customer", row=str(customer.pk)):
        for image in (row.before, row.after):
            for name in ("latitude", "longitude"):
                if image and image.get(name) is not None:
                    image[name] = ERASED
        row.save(update_fields=["before", "after"])


def _erase_log(kind: str, keys: Iterable[object], words: Words) -> None:
    """The desk's own log names what was edited."""
    app, _, model = kind.partition(".")
    entries = LogEntry.objects.filter(
        content_type__app_label=app, content_type__model=model,
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
    _replace(Visit.objects.filter(customer=customer), ("note", "cancel_reason"), words, counts)
    _replace(DriftFlag.objects.filter(sensor__in=seated), ("close_reason",), words, counts)
    _replace(Blackout.objects.filter(customer=customer), ("reason",), words, counts)
    _replace(SeasonPlan.objects.filter(**dealers), ("unplanned",), words, counts)
    _replace(FlagFamily.objects.filter(**dealers), ("cause",), words, counts)
    _erase_looks(customer, words, counts)
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


def _erase_looks(customer: Customer, words: Words, counts: Counter[str]) -> None:
    """Links that people kept, but for those who work for other dealers only."""
    elsewhere = Membership.objects.exclude(dealer=None).exclude(dealer=customer.dealer_id)
    here = Q(person__memberships__dealer=customer.dealer_id)
    looks = KeptLook.objects.filter(here | ~Q(person__in=elsewhere.values("user"))).distinct()
    for look in looks:
        if words.found([look.name, unquote_plus(look.query)]):
            look.delete()
            counts["kept look"] += 1


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
    # An update, not a save: one that was removed meanwhile needs no erasing.
    type(row)._default_manager.filter(pk=row.pk).update(**with_folded(row, values))
