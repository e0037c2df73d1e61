"""What keeps bits the same however many are computed together."""

import numpy as np

from calibration.metrology.padding import steady


def test_steady_keeps_forty_binary_digits_and_drops_the_noise_of_the_last():
    values = np.random.default_rng(5).normal(0.0, 0.03, 10_000)
    found = steady(values)
    assert np.abs(found / values - 1.0).max() <= 2.0**-40
    mantissa, _ = np.frexp(found)
    assert (mantissa * 2.0**40 == np.round(mantissa * 2.0**40)).all()
    noisy = np.nextafter(values, np.inf)
    assert (steady(noisy) == found).mean() > 0.999
