"""What the worker does with an uploaded file: checks it, and when that is committed stores it.

Done twice, or half and then again, it is done once. What became of the records of a batch is
written in the transaction that stores them, so a worker that dies leaves rows that say truly
what is stored; the next one finds those records there already and goes on.
"""

import hashlib
import logging
import os
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from django.db import InterfaceError, OperationalError, transaction

from calibration.claiming import MOST_ATTEMPTS, Clock, LeaseLost
from calibration.importing import ImportResult, Outcome, load_file
from calibration.models import ImportRun
from calibration.receiving import keeping, leasing, outcomes
from calibration.receiving.outcomes import Brought, Stage
from fleet.access import scope_of
from fleet.errors import DomainError
from fleet.models import User
from fleet.scope import Scope

logger = logging.getLogger(__name__)

OFTEN = 0.5  # seconds between two notes of how far it is
_AWAY = (OperationalError, InterfaceError)  # of the database, not of the file
Status = ImportRun.Status
GONE = "The uploaded file is not kept any more, or was changed. Upload it again."


def work_off(*, clock: Clock, stopped: Callable[[], bool] = lambda: False) -> list[str]:
    """Do whatever files wait for the worker; return a line for each that came to its end."""
    worker, said = f"{socket.gethostname()}:{os.getpid()}", []
    while not stopped() and (run := leasing.claim(worker=worker, now=clock.now())):
        try:
            said.append(f"import {run.pk}: {_work(run, clock)}")
        except LeaseLost:
            logger.info("import %s was cancelled, or somebody else is at it", run.pk)
    return said


def _work(run: ImportRun, clock: Clock) -> str:
    held = _Held(run, clock, _stage_of(run))
    try:
        if run.attempt > MOST_ATTEMPTS:
            return held.fail(f"{run.attempt - 1} attempts did not come to an end; see the log.")
        return held.work()
    except DomainError as wrong:
        return held.fail("\n".join(str(problem) for problem in wrong.problems))
    except FileNotFoundError:
        return held.fail(GONE)
    except LeaseLost:
        raise
    except _AWAY:
        leasing.give_back(run, attempt=run.attempt - 1)
        raise
    except Exception:
        logger.exception("import %s, attempt %s", run.pk, run.attempt)
        leasing.give_back(run, attempt=run.attempt)
        return f"attempt {run.attempt} failed"
    except BaseException:  # stopped by hand: the file did nothing wrong
        leasing.give_back(run, attempt=run.attempt - 1)
        raise


def _stage_of(run: ImportRun) -> Stage:
    return Stage.COMMIT if run.status == Status.COMMITTING else Stage.CHECK


@dataclass
class _Held:
    """A file that is ours."""

    run: ImportRun
    clock: Clock
    stage: Stage
    brought: Brought = field(default_factory=Brought)
    told: float = 0.0
    step: str = ""

    def work(self) -> str:
        """Check it, or store it."""
        if self.stage == Stage.COMMIT:
            self.brought = Brought(self.run.commit_result)
        with transaction.atomic():
            leasing.extend(
                self.run, now=self.clock.now(), step=ImportRun.Step.READING, done=0, total=0
            )
            outcomes.forget(self.run, self.stage)
        result = self._loaded()
        keeping.keep_refused(self.run, self.stage, result.rejects.lines())
        return self._finish(result)

    def fail(self, why: str) -> str:
        """Note why it cannot be done."""
        leasing.write(self.run, status=Status.FAILED, reason=why, lease_until=None)
        return f"failed: {why}"

    def _loaded(self) -> ImportResult:
        run, dry = self.run, self.stage == Stage.CHECK
        with keeping.path_of(run.sha256).open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() != run.sha256:
                raise FileNotFoundError
            return load_file(
                file,
                name=run.file_name,
                dealer=run.dealer,
                scope=self._scope(),
                now=self.clock.now(),
                dry_run=dry,
                user_id=run.created_by_id if dry else run.committed_by_id,
                read=lambda rows: self._tell(ImportRun.Step.READING, rows, 0),
                progress=lambda done, total: self._tell(
                    ImportRun.Step.CHECKING if dry else ImportRun.Step.STORING, done, total
                ),
                judged=lambda done, total: self._tell(ImportRun.Step.JUDGING, done, total),
                noted=self._note,
            )

    def _scope(self) -> Scope:
        """Return what the person may do now; the program's own where nobody is named."""
        run = self.run
        who = run.created_by_id if self.stage == Stage.CHECK else run.committed_by_id
        return Scope.system() if who is None else scope_of(User.objects.get(pk=who))

    def _note(self, some: Sequence[Outcome]) -> None:
        """Store what became of some records, if the file is still ours."""
        self.brought.add(some)
        values: dict[str, Any] = {}
        if self.stage == Stage.COMMIT:
            values["commit_result"] = self.brought.to_dict()
        with transaction.atomic():
            leasing.extend(self.run, now=self.clock.now(), **values)
            outcomes.store(self.run, self.stage, some)

    def _tell(self, step: ImportRun.Step, done: int, total: int) -> None:
        """Note how far it is: where a step begins and ends, and now and then between."""
        now = self.clock.now()
        lately = now.timestamp() - self.told < OFTEN
        if step == self.step and done < total and lately:
            return
        self.told, self.step = now.timestamp(), step
        leasing.extend(self.run, now=now, step=step, done=done, total=total)

    def _finish(self, result: ImportResult) -> str:
        counts = outcomes.counted(self.run, self.stage)
        found = counts | self.brought.to_dict() | {"unjudged": result.unjudged}
        now = self.clock.now()
        values: dict[str, Any] = (
            {"status": Status.CHECKED, "check_result": found, "checked_at": now}
            if self.stage == Stage.CHECK
            else {"status": Status.DONE, "commit_result": found, "committed_at": now}
        )
        leasing.write(self.run, lease_until=None, attempt=0, **values)
        return ", ".join(f"{number} {name.replace('_', ' ')}" for name, number in counts.items())
