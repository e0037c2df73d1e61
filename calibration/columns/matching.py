"""Columns of the rows that match one of many combinations of values."""

import json
from collections.abc import Mapping

from django.db import connection

from calibration.columns.kinds import Array, Kind, form
from calibration.columns.reading import answered
from calibration.columns.writing import array_text, plain


class Matching:
    """A statement that joins rows with the combinations asked for, whatever their number.

    Put the name `asked` first in the join: the server goes through it and looks each one up.

    Parameters
    ----------
    sql
        With `{asked}` where the combinations stand, a table of that name, and after it `{but}`
        where the keys stand that are left out, as what a key is not `IN`.
    asked, fields
        Name and kind of each of its columns, and of those of the answer, in order: `key`, `real`
        or `moment`.
    """

    def __init__(self, sql: str, asked: Mapping[str, Kind], fields: Mapping[str, Kind]) -> None:
        self._sql, self._asked, self.fields = sql, asked, fields

    def of(self, *, but: Array, **values: Array) -> dict[str, Array]:
        """Return the columns of the rows that match.

        Parameters
        ----------
        but : (B,) array
            The keys that are left out.
        values : (N,) arrays
            Of the N combinations, each once; a row comes as often as it is asked for.
        """
        asked = {name: plain(values[name], kind) for name, kind in self._asked.items()}
        if connection.vendor != "postgresql":
            picked = ", ".join(f"value->>{at} AS {name}" for at, name in enumerate(asked))
            source = f"(SELECT {picked} FROM json_each(%s)) AS asked"  # noqa: S608 # nosec B608
            sql = self._sql.format(asked=source, but="(SELECT value FROM json_each(%s))")
            rows = json.dumps(list(zip(*asked.values(), strict=True)))
            return answered(sql, [rows, json.dumps(but.tolist())], self.fields)
        arrays = ", ".join(f"%s::{form(kind).cast}[]" for kind in self._asked.values())
        source = f"unnest({arrays}) AS asked ({', '.join(asked)})"
        sql = self._sql.format(asked=source, but="(SELECT unnest(%s::bigint[]))")
        texts = [
            array_text(column, moment=self._asked[name] == "moment")
            for name, column in asked.items()
        ]
        texts.append(array_text(but.tolist(), moment=False))
        return answered(sql, texts, self.fields)
