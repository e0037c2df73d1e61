"""The rules that due days follow: a policy's, and what was learnt of a sensor model by it."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from django.db import DEFAULT_DB_ALIAS

from calibration import columns
from calibration.due.days import Ints, model_days
from calibration.models import ModelInterval
from calibration.policies import Rule, Rulebook
from fleet.statements import Statement


@dataclass(frozen=True)
class Rules:
    """The rule of each of N sensors, and what was learnt of its model by it.

    Attributes
    ----------
    which : (N,) array
        Where each sensor's stand among the different ones.
    """

    which: Ints
    rules: Sequence[Rule]
    learnt: Sequence[ModelInterval | None]

    def of(self, i: int) -> tuple[Rule, ModelInterval | None]:
        """Return those of one sensor."""
        place = int(self.which[i])
        return self.rules[place], self.learnt[place]


def rules_of(model: Ints, whose: Ints, dealers: Ints, book: Rulebook | None = None) -> Rules:
    """Return the rule of each sensor's policy, and what was learnt of its model.

    Parameters
    ----------
    model, whose : (N,) arrays
        Key of each sensor's model, and where its dealer stands among the different ones.
    dealers : (D,) array
    book : Rulebook, optional
        Where there is none, the rules are read.
    """
    book = book or Rulebook()
    width = len(dealers)
    pairs, which = np.unique(model * width + whose, return_inverse=True)
    rules = [
        (pair // width, book.rule(pair // width, int(dealers[pair % width])))
        for pair in pairs.tolist()
    ]
    learnt = _learnt({of for of, _ in rules})
    return Rules(
        which,
        [rule for _, rule in rules],
        [learnt.get((of, rule.target_reliability)) for of, rule in rules],
    )


_INTERVAL = tuple(field.attname for field in ModelInterval._meta.concrete_fields)
_LEARNT = Statement(
    lambda mark: (
        ModelInterval.objects.filter(columns.among("sensor_model", [mark]))
        .order_by()
        .values_list(*_INTERVAL)
    )
)


def _learnt(models: Collection[int]) -> dict[tuple[int, float], ModelInterval]:
    """Return what was learnt of these sensor models, by model and target reliability."""
    rows = [
        ModelInterval.from_db(DEFAULT_DB_ALIAS, _INTERVAL, row)
        for row in _LEARNT.many(sorted(models))
    ]
    return {(row.sensor_model_id, row.target): row for row in rows}


def days_by_model(rule: Rule, learnt: ModelInterval | None) -> int:
    """Return what a model's record makes of a policy's interval; 0 where it says nothing."""
    if learnt is None:
        return 0
    return model_days(
        learnt.lower_days,
        longest_seen=learnt.longest_seen_days,
        default_days=rule.default_interval_days,
        longest_days=rule.longest_interval_days,
    )
