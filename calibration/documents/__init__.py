"""The sheets that go into the yard, the cab and the file: data in rows, PDF out.

Everything is read through the caller's scope. A sheet is made from two halves: a function that
returns what it says as JSON values, and a template that lays those values out.
"""

import io
import zipfile
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from calibration.documents import typesetting
from calibration.documents.cab import cab_card_data
from calibration.documents.certificate_data import certificate_data
from calibration.documents.dossier import dossier
from calibration.documents.visit import visit_sheet_data, visit_sheets_data
from calibration.models import Calibration
from fleet.models import Customer, Machine
from fleet.scope import Scope

__all__ = [
    "cab_card",
    "cab_card_data",
    "certificate",
    "certificate_data",
    "dossier",
    "visit_sheet",
    "visit_sheet_data",
    "visit_sheets",
]  # fmt: skip


def visit_sheet(
    customer: Customer, *, scope: Scope, now: datetime, paper: str = "a4", link: str = ""
) -> bytes:
    """Return the visit sheet of one customer as PDF; `link` becomes a QR code on it."""
    typesetting.paper_size(paper)
    data = visit_sheet_data(customer, scope=scope, now=now) | {"link": link}
    return typesetting.typeset("visit_sheet", _with_qr(data), now=now, paper=paper)


def visit_sheets(
    customers: Mapping[int, str], *, scope: Scope, now: datetime, paper: str = "a4"
) -> bytes:
    """Return the visit sheets of several customers as a ZIP of PDFs.

    Parameters
    ----------
    customers
        The link that becomes the QR code of each customer's sheet, by the customer's key.
    """
    typesetting.paper_size(paper)
    rows = list(Customer.objects.visible_to(scope).filter(pk__in=customers))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:  # a PDF is compressed already
        for row, data in zip(rows, visit_sheets_data(rows, scope=scope, now=now), strict=True):
            filled = _with_qr(data | {"link": customers[row.pk]})
            sheet = typesetting.typeset("visit_sheet", filled, now=now, paper=paper)
            archive.writestr(f"visit-sheet-{row.pk}.pdf", sheet)
    return out.getvalue()


def certificate(
    calibration: Calibration, *, scope: Scope, now: datetime, paper: str = "a4", link: str = ""
) -> bytes:
    """Return the certificate of one calibration as PDF; `link` becomes a QR code on it."""
    typesetting.paper_size(paper)
    data = certificate_data(calibration, scope=scope, now=now, link=link)
    return typesetting.typeset("certificate", _with_qr(data), now=now, paper=paper)


def cab_card(
    machine: Machine, *, scope: Scope, now: datetime, paper: str = "a4", link: str = ""
) -> bytes:
    """Return a machine's numbers for the cab as PDF; `link` becomes a QR code on it."""
    typesetting.paper_size(paper)
    data = cab_card_data(machine, scope=scope, now=now, link=link)
    return typesetting.typeset("cab_card", _with_qr(data), now=now, paper=paper)


def _with_qr(data: dict[str, Any]) -> dict[str, Any]:
    return data | {"qr": typesetting.qr_svg(data["link"]) if data["link"] else ""}
