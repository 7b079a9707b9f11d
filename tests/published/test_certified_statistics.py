"""NIST Statistical Reference Datasets: certified means, standard deviations and F ratios.

Source: the .dat files of NIST StRD (univariate and ANOVA). The digits asked for are what double
precision can give: the data lose digits when their decimal text becomes a double.
"""

from __future__ import annotations

import numpy as np
import pytest

from acquire.analysis.summary import one_way, type_a

MAVRO_TEXT = """\
    2.00180 2.00170 2.00180 2.00190 2.00180 2.00170 2.00150 2.00140 2.00150 2.00150 2.00170
    2.00180 2.00180 2.00190 2.00190 2.00210 2.00200 2.00160 2.00140 2.00130 2.00130 2.00150 2.00150
    2.00160 2.00150 2.00140 2.00130 2.00140 2.00150 2.00140 2.00150 2.00160 2.00150 2.00160 2.00190
    2.00200 2.00200 2.00210 2.00220 2.00230 2.00240 2.00250 2.00270 2.00260 2.00260 2.00260 2.00270
    2.00260 2.00250 2.00240"""
MAVRO = np.array(MAVRO_TEXT.split(), dtype=float)


def alternating(first: float, low: float, high: float) -> np.ndarray:
    return np.array([first, *([low, high] * 500)])


UNIVARIATE = {
    "Mavro": (MAVRO, 2.001856, 0.000429123454003053, 12.5),
    "NumAcc1": (np.array([10000001.0, 10000003.0, 10000002.0]), 10000002.0, 1.0, 15),
    "NumAcc2": (alternating(1.2, 1.1, 1.3), 1.2, 0.1, 13.5),
    "NumAcc3": (alternating(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 9),
    "NumAcc4": (alternating(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 8),
}


@pytest.mark.parametrize("name", UNIVARIATE)
def test_mean_and_deviation(name):
    data, mean, deviation, digits = UNIVARIATE[name]
    found = type_a(data)
    assert found.mean == pytest.approx(mean, rel=1e-14)
    assert found.deviation == pytest.approx(deviation, rel=10.0**-digits)


SIRSTV_TEXT = """\
    196.3052 196.1240 196.1890 196.2569 196.3403 196.3042 196.3825 196.1669 196.3257 196.0422
    196.1303 196.2005 196.2889 196.0343 196.1811 196.2795 196.1748 196.1494 196.1485 195.9885
    196.2119 196.1051 196.1850 196.0052 196.2090"""
SIRSTV = np.array(SIRSTV_TEXT.split(), dtype=float).reshape(5, 5)
ATMWTAG_TEXT = """\
    1568 1465 1572 1785 1446 1903 1526 1494 1616 1587 1519 1486 1419 1569 1508 1672 1385 1518
    1662 1424 1360 1333 1610 1477 1079 1344 1513 1197 1604 1385 1642 1365 1151 1082 1517 1448 1198
    1482 1334 1609 1101 1512 1469 1360 1254 1261 1450 1368"""
ATMWTAG = 107.868 + 1e-7 * np.array(ATMWTAG_TEXT.split(), dtype=float).reshape(2, 24)


@pytest.mark.parametrize(
    ("data", "between", "within", "ratio", "digits"),
    [
        (SIRSTV, 1.27865654e-2, 1.0831828e-2, 1.18046237440255, 8),
        (ATMWTAG, 3.638341875e-9, 2.28155932971014e-10, 15.9467335677930, 5),
    ],
    ids=["SiRstv", "AtmWtAg"],
)
def test_one_way_analysis_of_variance(data, between, within, ratio, digits):
    found = one_way(list(data))
    assert found.between == pytest.approx(between, rel=10.0**-digits)
    assert found.within == pytest.approx(within, rel=10.0**-digits)
    assert found.ratio == pytest.approx(ratio, rel=10.0**-digits)
