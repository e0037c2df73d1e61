"""What follows from a weighed case, as columns: fits, judgements, flags, and a digest of them."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import History
from calibration.cases import worst_felt
from calibration.columns import NO_DATE, Incoming, Kind
from calibration.company import Siblings
from calibration.due import Newest
from calibration.metrology import expectation, fit, pairing
from calibration.metrology.clusters import FEW
from calibration.metrology.drift import Change
from calibration.metrology.lots import surest, until_out
from calibration.metrology.pairing import NONE
from calibration.models import Verdict
from calibration.uncounted import Looks
from calibration.weighing import Weighed

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Columns = dict[str, NDArray[Any]]

METHOD = expectation.METHOD
LEVELS = tuple(str(verdict) for verdict in (Verdict.WITHIN, Verdict.WATCH, Verdict.BEYOND))
_BEYOND = LEVELS.index(Verdict.BEYOND)
# Kinds that are not real numbers; see `calibration.columns`.
_FIT_KINDS: dict[str, Kind] = {"calibration": "uuid", "degrees_of_freedom": "key"}
_JUDGEMENT_KINDS: dict[str, Kind] = {
    "calibration": "uuid",
    "sensor": "key",
    "performed_at": "moment",
    "reference": "key",
    "season": "key",
    "segment": "key",
    "verdict": LEVELS,
    "previous": "uuid",
    "first": "uuid",
    "trusted": "flag",
    "common_members": "key",
    "expected_crossing": "date",
    "earliest_crossing": "date",
}


@dataclass(frozen=True)
class Outcome:
    """What follows from the calibrations of some sensors.

    Attributes
    ----------
    history : History
        All calibrations, length M.
    weighed : Weighed
        Those that are not superseded, length K.
    siblings : Siblings
        What was read of others, on their days.
    fits, judgements : dict of (M,) and (K,) arrays
        The columns of the two tables.
    """

    history: History
    weighed: Weighed
    siblings: Siblings
    fits: Columns
    judgements: Columns

    def fit_rows(self, which: Ints) -> Incoming:
        """Return the fits of the calibrations at these indices of the history."""
        kinds = {name: _FIT_KINDS.get(name, "real") for name in self.fits}
        values = {name: column[which] for name, column in self.fits.items()}
        return Incoming(kinds, values, constants={"method": fit.METHOD})

    def judgement_rows(self, which: Ints) -> Iterable[Incoming]:
        """Return the judgements at these indices of the case: those without causes, and others."""
        kinds = {name: _JUDGEMENT_KINDS.get(name, "real") for name in self.judgements}
        plain = ~np.isin(which, self.weighed.index)
        for rows, blobs in ((which[plain], {}), (which[~plain], self._causes(which[~plain]))):
            values = {name: column[rows] for name, column in self.judgements.items()}
            constants = {"method": METHOD} | ({} if blobs else {"causes": "[]"})
            yield Incoming(kinds, values, blobs=blobs, constants=constants)

    def _causes(self, which: Ints) -> dict[str, list[str]]:
        return {"causes": [json.dumps(self.weighed.causes_of(i)) for i in which.tolist()]}


def outcome_of(history: History, weighed: Weighed, siblings: Siblings) -> Outcome:
    """Return what follows from a weighed case."""
    return Outcome(history, weighed, siblings, _fits(history, weighed), _judgements(weighed))


def _fits(history: History, weighed: Weighed) -> Columns:
    lines = weighed.case.lines
    scattered = lines.degrees_of_freedom > 0
    return {
        "calibration": history.ids,
        "slope": lines.slope,
        "offset": lines.offset,
        "u_slope": lines.u_slope,
        "u_slope_random": lines.u_slope_random,
        "u_offset": lines.u_offset,
        "covariance": lines.covariance,
        "pivot_load": lines.pivot_load,
        "u_pivot": lines.u_pivot,
        "residual_sd": np.where(scattered, lines.residual_sd, np.nan),
        "birge_ratio": np.where(scattered, lines.birge_ratio, np.nan),
        "degrees_of_freedom": lines.degrees_of_freedom,
        "reference_pct": history.reference_pct,
    }


def _judgements(weighed: Weighed) -> Columns:
    case, outlook = weighed.case, weighed.outlook
    return (
        {
            "calibration": case.history.ids,
            "sensor": case.history.sensor,
            "performed_at": case.history.moment,
            "reference": case.history.reference,
            "season": case.history.season,
            "segment": case.pairs.segment,
            "verdict": outlook.level,
            "previous": _ids_at(case.history, case.pairs.previous),
            "first": _ids_at(case.history, case.pairs.first),
            "trusted": outlook.trusted,
            "slope_tolerance_pct": case.limits.slope_pct,
            "offset_tolerance": case.limits.offset,
            "worst_error_pct": worst_felt(case),
            "slope_pct_per_year": weighed.tendency.slope_pct_per_year,
            "expected_crossing": _dates(weighed.tendency.expected_crossing),
            "earliest_crossing": _dates(weighed.tendency.earliest_crossing),
        }
        | _change_columns(case.change)
        | _change_columns(case.since_first, "first_")
        | _change_columns(outlook.expected_change, "expected_")
        | _expected(weighed)
        | _shared(weighed)
    )


def _ids_at(history: History, index: Ints) -> NDArray[np.void]:
    """The calibrations at these indices; zeros where there is none."""
    found = history.ids[np.maximum(index, 0)]
    found[index == pairing.NONE] = np.zeros(1, dtype="V16")[0]
    return found


def _dates(day: NDArray[np.float64]) -> NDArray[np.int32]:
    there = np.isfinite(day)
    days = np.floor(np.where(there, day, 0.0))
    return np.where(there, days, NO_DATE).astype(np.int32)


def _expected(weighed: Weighed) -> Columns:
    found = weighed.outlook.expectation

    def known(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(found.known, values, np.nan)

    return {
        "expected_slope": known(found.slope),
        "u_expected_slope": known(np.sqrt(found.var_slope)),
        "expected_offset": known(found.offset),
        "u_expected_offset": known(np.sqrt(found.var_offset)),
        "jump_probability": known(found.jump),
    }


def _shared(weighed: Weighed) -> Columns:
    common, steps = weighed.shared.common, weighed.steps
    there = common.members > 0
    follows = weighed.case.pairs.before != pairing.NONE
    return {
        "step": steps.step,
        "u_step": steps.u_step,
        "step_reference": np.where(follows, steps.reference_before, np.nan),
        "common_change_pct": np.where(there, 100.0 * common.change, np.nan),
        "u_common_change_pct": np.where(there, 100.0 * common.u_change, np.nan),
        "common_members": common.members,
        # Few cells cannot tell a reference that moved from cells that did.
        "reference_moved": np.where(common.members > FEW, common.moved, np.nan),
        "reference_returned_pct": 100.0 * weighed.shared.moves.returned,
    }


def _change_columns(change: Change, prefix: str = "") -> Columns:
    return {
        f"{prefix}slope_change_pct": change.slope_pct,
        f"{prefix}u_slope_change_pct": change.u_slope_pct,
        f"{prefix}offset_change": change.offset,
        f"{prefix}u_offset_change": change.u_offset,
        f"{prefix}en_slope": change.en_slope,
        f"{prefix}en_offset": change.en_offset,
        f"{prefix}p_out_slope": change.p_out_slope,
        f"{prefix}p_out_offset": change.p_out_offset,
    }


def looks_of(outcome: Outcome, sensor: Ints) -> Looks:
    """Return what the looks at these sensors (sorted keys) came to, by `fleetwide.looks`' rule."""
    history, judged = outcome.weighed.case.history, outcome.judgements
    told = history.as_found & judged["trusted"] & (outcome.weighed.case.pairs.previous != NONE)
    at = np.flatnonzero(told & np.isin(history.sensor, sensor))
    which, seen, first = until_out(history.sensor[at], judged["verdict"][at] == _BEYOND)
    looks = np.zeros(len(sensor), dtype=np.int64)
    looks[np.searchsorted(sensor, which)] = seen
    out, at = np.searchsorted(sensor, which[first >= 0]), at[first[first >= 0]]
    first_out, p_out = np.zeros(len(sensor), dtype="V16"), np.full(len(sensor), np.nan)
    first_out[out] = history.ids[at]
    p_out[out] = surest(judged["p_out_slope"][at], judged["p_out_offset"][at])
    return Looks(sensor, looks, first_out, p_out)


def newest(outcome: Outcome, sensor: Ints) -> Newest:
    """Return the last calibration of each of these sensors (sorted), and the last that counts."""
    history = outcome.weighed.case.history
    at, there = _last(history.sensor, sensor)
    counting = np.flatnonzero(~_slips(outcome.weighed))
    place, one_does = _last(history.sensor[counting], sensor)
    counted = np.where(one_does, np.append(counting, 0)[place], at)
    day = outcome.judgements["earliest_crossing"][counted].astype(np.float64)
    return Newest(
        sensor=sensor,
        calibration=np.where(there, history.ids[at], np.zeros(1, dtype="V16")),
        moment=np.where(there, history.moment[counted], 0),
        installation=np.where(there, history.installation[counted], -1),
        crossing=np.where(there & (day != NO_DATE), day, np.nan),
        model=history.model[at] if there.all() else None,
        dealer=history.dealer[at] if there.all() else None,
    )


def _slips(weighed: Weighed) -> Bools:
    """Whose numbers are as good as certainly a slip: they begin no interval."""
    slips = np.zeros(len(weighed.case.history), dtype=bool)
    slips[weighed.index[weighed.suspects.slips]] = True
    return slips & ~weighed.outlook.trusted


def _last(rows: Ints, sensor: Ints) -> tuple[Ints, Bools]:
    """The last row of each sensor among ascending rows, and whether there is one."""
    at = np.searchsorted(rows, sensor, side="right") - 1
    place = np.maximum(at, 0)
    return place, (at >= 0) & (np.append(rows, -1)[place] == sensor)
