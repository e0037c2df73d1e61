"""Peers that compute in this process from arrays: pandas, polars and duckdb, at their best.

All sums are plain (not centred): the readings have few digits, and it is the faster way.
"""

import numpy as np

from tests.bench.peers.rows import LIMIT, Flagged, Rows, uuids


def with_pandas(rows: Rows) -> Flagged:
    """Group, merge, sort and shift; no Python function per group."""
    import pandas as pd

    points = pd.DataFrame(rows.points, copy=False)
    points["xx"], points["xy"] = points.load**2, points.load * points.reading
    points["n"] = 1.0
    sums = points.groupby(["hi", "lo"], sort=False).sum().reset_index()
    rise = sums.n * sums.xy - sums.load * sums.reading
    lines = pd.DataFrame(
        {"hi": sums.hi, "lo": sums.lo, "slope": rise / (sums.n * sums.xx - sums.load**2)}
    )
    found = pd.DataFrame(rows.calibrations, copy=False).merge(lines, on=["hi", "lo"])
    found = found.sort_values(["sensor", "performed"], ignore_index=True)
    before = found.shift(1)
    same = (found.sensor == before.sensor) & (found.installation == before.installation)
    out = found[same & ((found.slope / before.slope - 1.0).abs() > LIMIT)]
    return uuids(out.hi.to_numpy(), out.lo.to_numpy())


def with_polars(rows: Rows) -> Flagged:
    """One lazy query."""
    import polars as pl

    x, y = pl.col("load"), pl.col("reading")
    lines = (
        pl.LazyFrame(rows.points)
        .group_by("hi", "lo")
        .agg(pl.len().alias("n"), x.sum().alias("x"), y.sum().alias("y"),
             (x * x).sum().alias("xx"), (x * y).sum().alias("xy"))
        .select("hi", "lo", slope=(pl.col("n") * pl.col("xy") - pl.col("x") * pl.col("y"))
                / (pl.col("n") * pl.col("xx") - pl.col("x") ** 2))
    )  # fmt: skip
    slope = pl.col("slope")
    same = (pl.col("sensor") == pl.col("sensor").shift(1)) & (
        pl.col("installation") == pl.col("installation").shift(1)
    )
    out = (
        pl.LazyFrame(rows.calibrations)
        .join(lines, on=["hi", "lo"])
        .sort("sensor", "performed")
        .filter(same & ((slope / slope.shift(1) - 1.0).abs() > LIMIT))
        .select("hi", "lo")
        .collect()
    )
    return uuids(out["hi"].to_numpy(), out["lo"].to_numpy())


def with_duckdb(rows: Rows) -> Flagged:
    """One statement, over the arrays as they lie in memory."""
    import duckdb

    with duckdb.connect() as connection:
        connection.register("calibrations", rows.calibrations)
        connection.register("points", rows.points)
        out = connection.execute(
            f"""
            WITH lines AS (
                SELECT hi, lo, regr_slope(reading, load) AS slope FROM points GROUP BY hi, lo
            ), compared AS (
                SELECT hi, lo, slope, lag(slope) OVER (
                    PARTITION BY sensor, installation ORDER BY performed
                ) AS before
                FROM calibrations JOIN lines USING (hi, lo)
            )
            SELECT hi, lo FROM compared WHERE abs(slope / before - 1.0) > {LIMIT}
            """
        ).fetchnumpy()
    return uuids(np.asarray(out["hi"]), np.asarray(out["lo"]))
