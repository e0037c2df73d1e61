"""Pages of our own inside the admin's frame."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from django.contrib import admin
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.template.response import TemplateResponse
from django.urls import reverse
from django.utils.html import format_html

if TYPE_CHECKING:
    ModelAdmin = admin.ModelAdmin[Any]
else:
    ModelAdmin = object


def state(kind: str, words: object) -> str:
    """Return a state as a shape and a word."""
    return format_html('<span class="sign sign-{}">{}</span>', kind, words)


class Desk(ModelAdmin):
    """A page that is laid out by a template of ours instead of the admin's form."""

    def page(
        self, request: HttpRequest, template: str, context: Mapping[str, Any], status: int = 200
    ) -> TemplateResponse:
        """Return the page, inside the frame that all pages have."""
        request.current_app = self.admin_site.name
        frame = self.admin_site.each_context(request)
        return TemplateResponse(
            request,
            template,
            {**frame, "opts": self.opts, "has_view_permission": True, **context},
            status=status,
        )

    def paper(self, request: HttpRequest) -> str:
        """Return the paper that a sheet is asked for on."""
        return "letter" if request.GET.get("paper") == "letter" else "a4"

    def link_to(self, request: HttpRequest, name: str, row: Model) -> str:
        """Return the whole address of a row's page, for a QR code."""
        return request.build_absolute_uri(reverse(name, args=[row.pk]))

    def pdf(self, content: bytes, name: str) -> HttpResponse:
        """Return a sheet to look at or to print."""
        answer = HttpResponse(content, content_type="application/pdf")
        answer.headers["Content-Disposition"] = f'inline; filename="{name}.pdf"'
        return answer
