"""Clusters of days and seasons: numbered as a plain sort of all their keys would do it."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from calibration import expecting

KEYS = st.integers(-1, 5) | st.integers(-1, 2**40)


@given(st.lists(st.tuples(st.booleans(), KEYS, KEYS, KEYS), max_size=60))
def test_combinations_are_numbered_alike_where_all_keys_are(rows):
    there = np.array([row[0] for row in rows], dtype=bool)
    keys = [np.array([row[i] for row in rows], dtype=np.int64) for i in (1, 2, 3)]
    number = expecting._number(there, *keys)
    assert (number[~there] == -1).all()
    assert (number[there] >= 0).all()
    whole = list(zip(*(key[there].tolist() for key in keys), strict=True))
    assert len(set(zip(whole, number[there].tolist(), strict=True))) == len(set(whole))
    assert len(set(number[there].tolist())) == len(set(whole))


def test_too_many_combinations_for_one_number_are_ranked_in_between(monkeypatch):
    monkeypatch.setattr(expecting, "_MOST_COMBINATIONS", 10)
    rng = np.random.default_rng(1)
    keys = [rng.integers(0, 9, 400) for _ in range(4)]
    number = expecting._number(np.ones(400, dtype=bool), *keys)
    _, plain = np.unique(np.stack(keys, axis=1), axis=0, return_inverse=True)
    pairs = np.unique(np.stack((number, plain.reshape(-1)), axis=1), axis=0)
    assert len(pairs) == len(np.unique(number)) == len(np.unique(plain))


@given(st.lists(st.tuples(st.integers(0, 4), st.floats(0, 9)), max_size=30), st.booleans())
def test_the_order_is_that_of_a_plain_sort(rows, in_order):
    rows = sorted(rows) if in_order else rows
    sensor = np.array([row[0] for row in rows], dtype=np.int64)
    day = np.array([row[1] for row in rows], dtype=np.float64)
    assert expecting._by_sensor_and_day(sensor, day).tolist() == np.lexsort((day, sensor)).tolist()


@given(st.lists(st.integers(-1, 6), max_size=40))
def test_the_first_of_each_cluster_leads(cluster):
    leads = expecting._first_of(np.array(cluster, dtype=np.int64))
    firsts = {cluster.index(number) for number in cluster if number >= 0}
    assert set(np.flatnonzero(leads).tolist()) == firsts
