"""`manage.py checkpoint --dealer CODE FILE`: where the chains end, signed, to keep elsewhere."""

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import CommandError
from django.utils import timezone

from calibration import checkpoints
from calibration.management.entrance import WRONG_CALL, Entrance, dealer_called
from calibration.signing import PrivateKey
from fleet.errors import DomainError


class Command(Entrance):
    help = (
        "Writes a signed checkpoint of a dealer's records: for every sensor's chain its length "
        "and last digest. Keep it where nobody who can change the database can change it; "
        "`verify --checkpoint FILE` finds what was rewritten, cut or taken away since."
    )
    example = """example:
  python manage.py checkpoint --new-key /etc/spanbook/checkpoint.pem
  CHECKPOINT_KEY_FILE=/etc/spanbook/checkpoint.pem \\
    python manage.py checkpoint --dealer NORTH north.json
  python manage.py verify --checkpoint north.json --public-key BASE64
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "file", metavar="FILE", type=Path, nargs="?", help="where to write the checkpoint"
        )
        self.add_dealer(parser)
        parser.add_argument(
            "--key", metavar="FILE", type=Path, help="signing key; default: CHECKPOINT_KEY_FILE"
        )
        parser.add_argument(
            "--new-key", metavar="FILE", type=Path, help="make a signing key, write it here, end"
        )

    def handle(self, *, file: Path | None, dealer: str | None, **options: Any) -> None:
        try:
            if options["new_key"]:
                self._make_key(options["new_key"])
            else:
                self._write(file, dealer, options["key"])
        except DomainError as wrong:
            raise CommandError(str(wrong), returncode=WRONG_CALL) from wrong

    def _make_key(self, path: Path) -> None:
        public = PrivateKey.make(path).public
        self.stdout.write(f"The signing key is in {path}; keep it secret, and a copy of it safe.")
        self.stdout.write(f"key id      {public.id}")
        self.stdout.write(f"public key  {public.text}")

    def _write(self, file: Path | None, code: str | None, key: Path | None) -> None:
        dealer = dealer_called(code)
        if file is None or dealer is None:
            raise CommandError(
                "Name the dealer and the file: checkpoint --dealer CODE FILE.",
                returncode=WRONG_CALL,
            )
        path = key or (
            Path(settings.CHECKPOINT_KEY_FILE) if settings.CHECKPOINT_KEY_FILE else None
        )
        if path is None:
            raise CommandError(
                "There is no signing key. Accepted: --key FILE, or the setting "
                "CHECKPOINT_KEY_FILE; `checkpoint --new-key FILE` makes one.",
                returncode=WRONG_CALL,
            )
        made = checkpoints.make(dealer, PrivateKey.read(path), now=timezone.now())
        text = json.dumps(made.document(), ensure_ascii=False, indent=1)
        try:
            file.write_text(text + "\n", encoding="utf-8")
        except OSError as wrong:
            raise CommandError(
                f"{file}: cannot be written: {wrong.strerror}.", returncode=WRONG_CALL
            ) from wrong
        key_id = made.document()["key"]["id"]
        self.stdout.write(f"{file}: {len(made.chains)} chains, signed with key {key_id}.")
