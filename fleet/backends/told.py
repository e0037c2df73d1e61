"""What both databases have in common: what was told of who acts ends with the transaction."""

from typing import Any


class Told:
    """Forgets what was told where a transaction, or a part of it, is taken back."""

    told: tuple[int | None, str] | None = None

    def _rollback(self) -> None:
        self.told = None
        super()._rollback()  # type: ignore[misc] # Django's

    def _savepoint_rollback(self, sid: str) -> None:
        super()._savepoint_rollback(sid)  # type: ignore[misc] # Django's
        # It is as it was at the savepoint; an empty answer makes the next statement tell anew.
        self.told = (None, "?") if self.told is not None else None

    def close(self) -> Any:
        """Close; what was told ended with the transaction."""
        self.told = None
        return super().close()  # type: ignore[misc] # Django's
