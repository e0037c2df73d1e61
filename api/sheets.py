"""How a sheet is asked for: on which paper, and which page of the desk its QR code leads to."""

from django.db.models import Model
from django.urls import reverse
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request

from api.errors import BadQuery
from calibration.documents.typesetting import PAPERS
from fleet.errors import Problem

USUAL = "a4"
PAPER = OpenApiParameter(
    "paper", str, enum=tuple(PAPERS), default=USUAL, description="The size of a PDF's pages."
)


def paper_in(request: Request) -> str:
    """Return the paper that was asked for.

    Raises
    ------
    BadQuery
        If there is no such sheet.
    """
    paper = str(request.query_params.get("paper", USUAL))
    if paper not in PAPERS:
        raise BadQuery(
            Problem("?.paper", "There is no such paper", " or ".join(PAPERS), paper[:80])
        )
    return paper


def page_link(request: Request, row: Model) -> str:
    """Return the address of a row's page at the desk."""
    name = f"admin:{row._meta.app_label}_{row._meta.model_name}_change"
    return request.build_absolute_uri(reverse(name, args=[row.pk]))
