"""How much a request may bring: little everywhere, a record file where one is loaded."""

from typing import Any

from django.core.exceptions import RequestDataTooBig
from django.core.files.uploadhandler import FileUploadHandler

USUAL = 5 * 2**20
RECORD_FILE = 101 * 2**20  # with what a form adds around it
DESK, API = "/admin/calibration/importrun/", "/api/v1/imports/"


class Bounded(FileUploadHandler):
    """Refuses a body by its announced length, before any of it is read or written to disk.

    Forms are read before anybody is asked who they are (for the token against forgery), so that
    without a bound whoever comes could fill the disk.
    """

    def handle_raw_input(
        self,
        input_data: Any,
        META: Any,  # noqa: N803 - its name
        content_length: int,
        *_: Any,
        **__: Any,
    ) -> None:
        """Look at the announced length."""
        if content_length > self._limit():
            raise RequestDataTooBig(f"The body has {content_length} bytes; that is too many here.")

    def receive_data_chunk(self, raw_data: bytes, start: int) -> bytes:
        """Hand on to the next handler."""
        return raw_data

    def file_complete(self, file_size: int) -> None:
        """Leave the file to the next handler."""

    def _limit(self) -> int:
        request = self.request
        path = request.path_info if request is not None else ""
        if path.startswith(API):
            return RECORD_FILE  # who it is was asked before
        user = getattr(request, "user", None)
        known = user is not None and user.is_authenticated
        return RECORD_FILE if path.startswith(DESK) and known else USUAL
