"""The location of clusters: against scipy's adaptive quadrature, and alone against in company."""

from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad_vec
from scipy.special import logsumexp

from calibration.metrology import clusters
from calibration.metrology.clusters import SILENT, Located, in_order, locate
from calibration.metrology.mixtures import CELLS, MOVED

Cluster = tuple[np.ndarray, np.ndarray, float]


def _log_mixture(square, variance, parts):
    terms = [
        np.log(share) - 0.5 * np.log(2 * np.pi * whole) - square / 2 / whole
        for share, whole in ((share, variance + sd**2) for sd, share in parts)
    ]
    return logsumexp(terms, axis=0)


def by_quadrature(surprise, variance, allowed):
    """Return mean, variance, moved of all, and mean and variance without each (n, 2)."""
    n = len(surprise)
    wide = MOVED[0] if n >= 4 else 0.0
    prior = ((0.0, 1 - wide), (MOVED[1], wide))[: 2 if wide else 1]

    def logs(place):
        own = _log_mixture((surprise - place) ** 2, variance, CELLS)
        shared = _log_mixture(place**2, allowed, prior)
        return np.append(own.sum() - own, own.sum()) + shared, shared

    scale = np.sqrt(np.append(variance, allowed))
    peaks = np.append(surprise, 0.0)
    near = (peaks + scale * np.linspace(-4, 4, 5)[:, None]).ravel()
    top = np.max([logs(place)[0] for place in near], axis=0)

    def moments(place):
        log, shared = logs(place)
        weight = np.exp(log - top)
        last = np.exp(_log_mixture(place**2, allowed, prior[1:]) - shared) if wide else 0.0
        return np.concatenate((weight, weight * place, weight * place**2, weight[-1:] * last))

    low, high = min(-0.6, surprise.min() - 0.1), max(0.6, surprise.max() + 0.1)
    points = np.unique(np.clip(near, low, high))[1:-1]
    found, _ = quad_vec(
        moments, low, high, points=points, epsabs=0, epsrel=1e-8, norm="max", limit=2000
    )
    whole, first, second = found[: n + 1], found[n + 1 : 2 * n + 2], found[2 * n + 2 : 3 * n + 3]
    mean = first / whole
    return mean, second / whole - mean**2, found[-1] / whole[-1]


def model_clusters(seed: int, sizes: range, count: int) -> Iterator[Cluster]:
    """Draw clusters as the model says they are, and how large the steps of cells are."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        n = int(rng.integers(sizes.start, sizes.stop))
        variance = rng.uniform(0.002, 0.012, n) ** 2
        allowed = float(rng.choice([0.001, 0.005, 0.01]))
        moved = rng.random() < 0.1
        kind = rng.choice(len(CELLS), n, p=[share for _, share in CELLS])
        spread = np.sqrt(variance + np.array([sd for sd, _ in CELLS])[kind] ** 2)
        change = rng.normal(0, np.hypot(allowed, MOVED[1] if moved else 0))
        yield change + rng.normal(0, 1, n) * spread, variance, allowed**2


def hostile_clusters(seed: int, sizes: range, count: int) -> Iterator[Cluster]:
    """Draw clusters that fall in two, with odd members and a prior that contradicts."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        n = int(rng.integers(sizes.start, sizes.stop))
        variance = (10 ** rng.uniform(-3, -1.5) * rng.uniform(0.7, 1.4, n)) ** 2
        surprise = rng.choice([0.0, rng.normal(0, 0.05)]) + rng.normal(0, 1, n) * np.sqrt(variance)
        surprise[: rng.integers(0, n // 2 + 1)] += rng.normal(0, 0.05)
        odd = rng.random(n) < rng.choice([0.0, 0.2, 0.5])
        surprise[odd] += rng.choice([0.015, 0.06, 0.6]) * rng.normal(0, 1, odd.sum())
        yield surprise, variance, 10 ** rng.uniform(-6, -3)


def located(cases: list[Cluster]) -> tuple[Located, np.ndarray]:
    size = [len(surprise) for surprise, _, _ in cases]
    starts = np.cumsum(size) - size
    allowed = np.repeat([allowed for _, _, allowed in cases], size)
    surprise, variance = (np.concatenate([case[i] for case in cases]) for i in (0, 1))
    return locate(surprise, variance, starts, allowed), starts


def errors(cases: list[Cluster]) -> dict[str, np.ndarray]:
    """Return how far means, standard deviations [1] and probabilities are from quadrature's."""
    result, starts = located(cases)
    found: dict[str, list[float]] = {"mean": [], "sd": [], "moved": []}
    for case, start in zip(cases, starts, strict=True):
        mean, variance, moved = by_quadrature(*case)
        rows = slice(start, start + len(case[0]))
        ours = np.append(result.without_itself[0][rows], result.change[start])
        ours_sd = np.append(np.sqrt(result.without_itself[1][rows]), result.u_change[start])
        found["mean"] += list(np.abs(ours - mean))
        found["sd"] += list(np.abs(ours_sd - np.sqrt(variance)))
        found["moved"].append(abs(result.moved[start] - moved))
    return {name: np.array(values) for name, values in found.items()}


@pytest.mark.parametrize("sizes", [range(4, 5), range(5, 8), range(8, 13), range(13, 25)])
def test_moments_agree_with_adaptive_quadrature(sizes):
    found = errors(list(model_clusters(5, sizes, 10)))
    assert np.median(found["mean"]) < 1e-7
    assert np.median(found["sd"]) < 2e-7
    for name in ("mean", "sd"):
        assert np.percentile(found[name], 95) < 1e-6
        assert found[name].max() < 5e-6
    assert found["moved"].max() < 2e-5


def test_few_members_are_exact():
    found = errors([*model_clusters(6, range(1, 4), 6), *hostile_clusters(6, range(1, 4), 6)])
    assert max(found["mean"].max(), found["sd"].max()) < 1e-10
    assert (found["moved"] == 0).all()


@pytest.mark.parametrize("sizes", [range(4, 8), range(8, 13)])
def test_clusters_that_fall_apart_keep_their_modes(sizes):
    """Rare shapes may lose a mode that only some of the members see; most keep every one."""
    found = errors(list(hostile_clusters(7, sizes, 12)))
    assert np.median(found["mean"]) < 1e-7
    assert np.percentile(found["mean"], 95) < 1e-5
    assert np.percentile(found["sd"], 95) < 1e-4
    assert found["moved"].max() < 5e-3


def test_the_silent_are_told_what_all_others_say_and_a_silent_cluster_its_prior():
    variance = np.array([SILENT, 1e-5, 1e-5, SILENT, SILENT])
    surprise = np.array([0.0, 0.01, 0.012, 0.0, 0.0])
    result = locate(surprise, variance, np.array([0, 3]), np.full(5, 1e-4))
    assert result.members.tolist() == [2, 2, 2, 0, 0]
    assert result.without_itself[0][0] == result.change[0]
    assert np.sqrt(result.without_itself[1][0]) == result.u_change[0]
    assert result.change[3:].tolist() == [0.0, 0.0]
    assert result.without_itself[1][3:].tolist() == [1e-4, 1e-4]


def test_members_as_far_off_as_slips_of_the_pen_leave_everything_finite():
    surprise = np.array([0.0, 0.001, 9.0, 99.0, 999.0, 0.0, 1e4, 0.0, 50.0, 0.01])
    for n in range(1, 11):
        result, _ = located([(surprise[:n], np.full(n, 1e-6), 1e-6)])
        for values in (*result.without_itself, result.change, result.u_change, result.moved):
            assert np.isfinite(values).all()
        assert (result.u_change > 0).all()


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), block=st.sampled_from([1, 7, 64, 700, 10_000]))
def test_no_bit_depends_on_company_or_block(seed, block):
    rng = np.random.default_rng(seed)
    cases = [*model_clusters(seed, range(1, 30), 12), *hostile_clusters(seed, range(1, 30), 12)]
    order = rng.permutation(len(cases))
    usual = clusters.BLOCK
    try:
        clusters.BLOCK = block
        batch, starts = located([cases[i] for i in order])
    finally:
        clusters.BLOCK = usual
    for i, start in zip(order, starts, strict=True):
        alone, _ = located([cases[i]])
        rows = slice(start, start + len(cases[i][0]))
        for one, many in zip(
            (*alone.without_itself, alone.change, alone.u_change, alone.moved),
            (*batch.without_itself, batch.change, batch.u_change, batch.moved),
            strict=True,
        ):
            assert (one == many[rows]).all()


@given(
    cluster=st.lists(st.integers(-2, 5) | st.integers(2**61, 2**63 - 1), max_size=40).map(
        lambda values: np.array(values, dtype=np.int64)
    )
)
def test_rows_come_by_cluster_and_in_their_order(cluster):
    rows, starts = in_order(cluster)
    plain = np.argsort(cluster, kind="stable")
    plain = plain[cluster[plain] >= 0]
    assert rows.tolist() == plain.tolist()
    first = np.unique(cluster[plain], return_index=True)[1]
    assert starts.tolist() == first.tolist()
