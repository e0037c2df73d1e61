"""What the calibrations of one day, place and reference share, told apart from what cells did.

Cells that were calibrated together with one reference share its error. Most of them are sound,
some have drifted themselves; so their common change is estimated as the location of a mixture
(sound, drifted, wrong altogether) and not as a mean. Each cell is corrected by what the *others*
show, with the uncertainty that they leave.

References
----------
.. [1] P. J. Huber, E. M. Ronchetti, "Robust Statistics", 2nd ed., Wiley 2009, sections 1.2 and 4.5
   (contaminated normal model, location).
.. [2] J. Mandel, R. C. Paule, "Interlaboratory evaluation of a material with unequal numbers of
   replicates", Analytical Chemistry 42 (1970) 1194-1197 (a common effect with its own variance).
"""

from dataclasses import dataclass

import numpy as np

from calibration.metrology.clusters import SILENT, in_order, locate
from calibration.metrology.expectation import Expectation, expect
from calibration.metrology.padding import FloatArray, IntArray, steady
from calibration.metrology.series import SAME_REFERENCE, Noise, Prior, Series, Shared

METHOD = "common-mixture/2"


@dataclass(frozen=True)
class Common:
    """Common change of slope of M calibrations.

    Attributes
    ----------
    others : Shared
        What the others of its group say to each calibration: to be taken off.
    change, u_change : ndarray, shape (M,)
        What the whole group says, relative, with its standard uncertainty [1].
    moved : ndarray, shape (M,)
        Probability that it is more than the certificates allow: the reference moved [1].
    members : ndarray of int, shape (M,)
        Calibrations in the group that have something to say, itself included.
    """

    others: Shared
    change: FloatArray
    u_change: FloatArray
    moved: FloatArray
    members: IntArray

    @classmethod
    def unknown(cls, allowed: Shared) -> "Common":
        """Return what is known before anybody was asked."""
        nothing = np.zeros(len(allowed.change))
        return cls(allowed, nothing, np.sqrt(allowed.variance), nothing, nothing.astype(np.int64))


def expect_together(
    series: Series,
    group: IntArray,
    noise: Noise,
    *,
    wide: IntArray | None = None,
    prior: Prior | None = None,
    passes: int = 3,
) -> tuple[Expectation, Common]:
    """Filter the calibrations of N segments with what those of one group share taken off.

    Parameters
    ----------
    series : Series
        M calibrations of N segments; several dealers and years at once.
    group : ndarray of int, shape (M,)
        Equal for calibrations of one day, place and reference; negative for none.
    noise : Noise
        What the cells do by themselves.
    wide : ndarray of int, shape (M,), optional
        Equal for calibrations of one dealer, season and reference. Where the reference changed,
        all of them share the difference of the two references; the day adds little to it.
    prior : Prior, optional
        What is expected of the first calibrations.
    passes : int
        A reference that changes twice in a segment's life needs one pass more.

    Returns
    -------
    Expectation, Common

    Raises
    ------
    ValueError
        If `group` or `wide` does not have one number a calibration.

    Notes
    -----
    Cells of one group whose calibration before was made with different references have different
    common changes; they are told apart. Each pass filters with the common changes found so far
    and estimates them anew from the surprises.
    """
    cluster = clusters_of(series, "group", group)
    wider = None if wide is None else clusters_of(series, "wide", wide)
    allowed = series.unshared()
    common = Common.unknown(allowed)
    for _ in range(passes):
        expectation = expect(series, noise, shared=common.others, prior=prior)
        heard = surprises(series, expectation)
        common = common_change(*heard, cluster, allowed.variance, wide=wider)
    return expect(series, noise, shared=common.others, prior=prior), common


def surprises(series: Series, expectation: Expectation) -> tuple[FloatArray, FloatArray]:
    """Return surprise and variance of each calibration as `common_change` takes them.

    The first ones of a segment and those that are not trusted have nothing to say.
    """
    speaks = expectation.known & ~series.starts
    if series.trusted is not None:
        speaks &= series.trusted
    return (
        np.where(speaks, expectation.surprise, 0.0),
        np.where(speaks, expectation.var_surprise, SILENT),
    )


def clusters_of(series: Series, name: str, group: IntArray) -> IntArray:
    """Number those of one group that had one reference before, too; -1 for those that have none.

    Raises
    ------
    ValueError
        If there is not one number a calibration.
    """
    if group.shape != series.segment.shape:
        message = f"{name}: shape {group.shape}, not {series.segment.shape}"
        raise ValueError(message)
    if series.size == 0:
        return np.zeros(0, dtype=np.int64)
    changed = ~series.same_reference & ~series.starts
    pairs = np.stack([group, series.reference[series.before]], axis=1)
    _, number = np.unique(pairs, axis=0, return_inverse=True)
    there = (group >= 0) & (changed if name == "wide" else ~series.starts)
    return np.where(there, number.reshape(-1), -1)


def common_change(
    surprise: FloatArray,
    variance: FloatArray,
    cluster: IntArray,
    allowed: FloatArray,
    *,
    wide: IntArray | None = None,
) -> Common:
    """Estimate the common change of clusters of calibrations from their surprises.

    Parameters
    ----------
    surprise, variance : ndarray, shape (M,)
        Relative slope less what was expected, and its variance without the common change [1];
        a variance of `clusters.SILENT` says that this one has nothing to say.
    cluster : ndarray of int, shape (M,)
        Equal for those that share a change; any order; negative for those that share none.
    allowed : ndarray, shape (M,)
        A-priori variance of the common change; the first of each cluster counts [1].
    wide : ndarray of int, shape (M,), optional
        Wider clusters that the clusters lie in, negative for none: what they share is estimated
        first, and the clusters then for the little that one day may add to it.

    Returns
    -------
    Common

    Notes
    -----
    ``surprise_i = c + w_i``, w_i from the mixture `mixtures.CELLS` on top of its own variance, c
    normal with variance `allowed` or, rarely, wider (`mixtures.MOVED`). The posterior of c, with
    all members and without each, is exact up to three members and integrated numerically for
    more. Against adaptive quadrature on clusters as the model draws them: means and standard
    deviations within 5e-6 [1], 95 % of them within 1e-6 and half within 1e-7; probabilities within
    2e-5.
    """
    if wide is None:
        return _located(surprise, variance, cluster, allowed)
    first = _located(surprise, variance, wide, allowed)
    within = wide >= 0
    then = _located(
        surprise - np.where(within, first.others.change, 0.0),
        variance,
        cluster,
        np.where(within, SAME_REFERENCE**2, allowed),
    )
    whole, u_whole, spread = (
        np.where(within, values, 0.0)
        for values in (first.change, first.u_change, first.others.variance)
    )
    both = Shared(
        then.others.change + np.where(within, first.others.change, 0.0),
        then.others.variance + spread,
    )
    return Common(
        both,
        then.change + whole,
        np.hypot(then.u_change, u_whole),
        np.maximum(then.moved, np.where(within, first.moved, 0.0)),
        np.maximum(then.members, first.members),
    )


def _located(
    surprise: FloatArray, variance: FloatArray, cluster: IntArray, allowed: FloatArray
) -> Common:
    size = len(surprise)
    change, spread = np.zeros(size), allowed.astype(np.float64)
    whole, u_whole, moved = np.zeros(size), np.sqrt(spread), np.zeros(size)
    members = np.zeros(size, dtype=np.int64)
    rows, starts = in_order(cluster)
    found = locate(surprise[rows], variance[rows], starts, allowed[rows])
    change[rows], spread[rows] = found.without_itself
    whole[rows], u_whole[rows], moved[rows] = found.change, found.u_change, found.moved
    members[rows] = found.members
    # The last bits of sums over a cluster may depend on what lies beside it in memory; one that is
    # alone has been added to nobody.
    together = members > 1
    change, spread, whole, u_whole, moved = (
        np.where(together, steady(values), values)
        for values in (change, spread, whole, u_whole, moved)
    )
    return Common(Shared(change, spread), whole, u_whole, moved, members)
