"""`manage.py verify`: tells whether the records are still what was recorded."""

from argparse import ArgumentParser
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import CommandError
from django.utils import timezone
from tqdm import tqdm

from calibration import checkpoints
from calibration.checkpoints import Checkpoint
from calibration.management.entrance import WRONG_CALL, Entrance
from calibration.signing import PrivateKey, PublicKey
from calibration.verifying import Finding, verify
from fleet.errors import DomainError


class Command(Entrance):
    help = (
        "Recomputes every record's digest and its place in its sensor's chain, and compares what "
        "is packed for the scans with the records. Exit code 0 when all agree; 1 and a list where "
        "a record was altered, removed or put in another order."
    )
    example = """example:
  python manage.py verify
  python manage.py verify --json   {"findings": [{"sensor_serial": "...", "what": "..."}]}
  python manage.py verify --checkpoint north.json --public-key BASE64
"""

    def add_arguments(self, parser: ArgumentParser) -> None:
        self.add_json(parser)
        parser.add_argument(
            "--checkpoint", metavar="FILE", type=Path, help="compare with this as well"
        )
        parser.add_argument(
            "--public-key", metavar="KEY", default="",
            help="who must have signed it: base64, or a PEM file; default: our own signing key",
        )  # fmt: skip

    def handle(
        self, *, json: bool, checkpoint: Path | None, public_key: str, **options: Any
    ) -> None:
        signed = self._signed(checkpoint, public_key) if checkpoint else None
        with tqdm(disable=None, unit=" sensors", desc="verify") as bar:

            def show(done: int, total: int) -> None:
                bar.total = total
                bar.update(done - bar.n)

            findings = list(verify(now=timezone.now(), progress=show))
        findings += _departures(signed) if signed else ()
        if json:
            self.print_json({"findings": [asdict(finding) for finding in findings]})
        for item in findings if not json else ():
            self.stdout.write(f"{item.sensor_serial}: {item.kind} {item.record}: {item.what}")
        if findings:
            raise CommandError(f"{len(findings)} findings: not everything is what was recorded.")
        if not json:
            self.stdout.write("Every record agrees with its digest and its place in its chain.")
            if signed:
                since = f"the checkpoint of {signed.dealer} of {signed.at}"
                self.stdout.write(f"All {len(signed.chains)} chains continue {since}.")

    def _signed(self, file: Path, public_key: str) -> Checkpoint:
        """Return the checkpoint in a file, signed by whom it must be."""
        try:
            found = Checkpoint.read(file.read_bytes())
            faults = found.faults(self._key(found, public_key))
        except OSError as wrong:
            raise CommandError(
                f"{file}: cannot be read: {wrong.strerror}.", returncode=WRONG_CALL
            ) from wrong
        except DomainError as wrong:
            raise CommandError(f"{file}: {wrong}", returncode=WRONG_CALL) from wrong
        if faults:
            raise CommandError(f"{file} is not to be trusted: {'; '.join(faults)}.")
        return found

    def _key(self, found: Checkpoint, given: str) -> PublicKey:
        if given:
            return PublicKey.read(given)
        if settings.CHECKPOINT_KEY_FILE:
            return PrivateKey.read(Path(settings.CHECKPOINT_KEY_FILE)).public
        self.stderr.write(
            "No public key is given: the one inside the checkpoint shows only that the file is "
            "whole, not who signed it. Give --public-key."
        )
        return PublicKey.read(found.key)


def _departures(signed: Checkpoint) -> Iterator[Finding]:
    for chain, what in checkpoints.departures(signed):
        yield Finding(chain.serial, f"chain of {chain.kind}s", "", what)
