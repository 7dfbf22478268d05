"""Statistics against printed results.

Peak flow: Bland and Altman, Lancet 1986;i:307; data and results as in section 8.1 of the project's fact sheet. Ratings:
Shrout and Fleiss, Psychological Bulletin 1979;86:420 (section 8.2). Kappa: section 8.3, textbook tables.
"""

from io import StringIO

import numpy as np
import pytest

from raysplay.infer.agreement.statistics.bias import bias
from raysplay.infer.agreement.statistics.concordance import concordance
from raysplay.infer.agreement.statistics.estimate import Estimate
from raysplay.infer.agreement.statistics.intraclass import Design, intraclass, recommended
from raysplay.infer.agreement.statistics.kappa import confusion, fleiss_kappa, weighted_kappa
from raysplay.infer.agreement.statistics.limits import limits_of_agreement, limits_replicated
from raysplay.infer.agreement.statistics.mean_squares import mean_squares, table_sums
from raysplay.infer.agreement.statistics.planning import films_for_intraclass, films_for_limits_within
from raysplay.infer.agreement.statistics.regression import deming
from raysplay.infer.agreement.statistics.repeatability import (
    minimal_detectable_change,
    standard_error_of_measurement,
    within_subject_sd,
)

WRIGHT = np.array(
    [
        [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427],
        [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421],
    ],
    dtype=float,
).T
MINI = np.array(
    [
        [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
        [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443],
    ],
    dtype=float,
).T
FIRST = WRIGHT[:, 0] - MINI[:, 0]
RATINGS = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float)


def test_bias_of_peak_flow():
    """Printed: -2.1, 95 % interval -22.0 to 17.8."""
    found = bias(FIRST)
    assert (found.value, found.low, found.high) == pytest.approx((-2.11765, -22.049, 17.813), abs=1e-3)
    assert found.n == 17


def test_limits_of_peak_flow():
    """Printed with 2 SD: -79.7 and 75.5 (from rounded inputs); with 1.96 SD -78.097 and 73.862; SD 38.8."""
    found = limits_of_agreement(FIRST)
    assert found.sd.value == pytest.approx(38.76513, abs=1e-5)
    assert (found.lower.value, found.upper.value) == pytest.approx((-78.097, 73.862), abs=2e-3)
    share = 2 * 0.9772498680518208 - 1  # 2 SD
    printed = limits_of_agreement(FIRST, share=share, method="bland_altman")
    assert (printed.lower.value, printed.upper.value) == pytest.approx((-79.648, 75.413), abs=1e-3)
    assert (printed.lower.low, printed.lower.high) == pytest.approx((-114.3, -45.1), abs=0.25)
    assert (printed.upper.low, printed.upper.high) == pytest.approx((40.9, 110.1), abs=0.25)
    assert (printed.lower.low, printed.upper.high) == pytest.approx((-114.17, 109.93), abs=0.02)


def test_repeatability_of_peak_flow():
    """Printed coefficients 43.2 and 56.4 (from rounded SDs): twice the SD of the differences of two reads."""
    for meter, within, printed in ((WRIGHT, 15.307, 43.2), (MINI, 19.911, 56.4)):
        found = within_subject_sd(meter)
        assert found.value == pytest.approx(within, abs=5e-4)
        assert 2 * np.sqrt(2) * found.value == pytest.approx(printed, abs=0.1)


def test_limits_of_single_reads_from_replicates():
    """Printed (Mini less Wright): mean 6.0, SD of averages 33.2, corrected 37.7, limits -69.4 and 81.4 with 2 SD."""
    found = limits_replicated(MINI, WRIGHT, share=2 * 0.9772498680518208 - 1)
    assert found.bias.value == pytest.approx(6.029, abs=5e-4)
    assert np.std(MINI.mean(axis=1) - WRIGHT.mean(axis=1), ddof=1) == pytest.approx(33.204, abs=5e-4)
    assert found.sd.value == pytest.approx(37.7, abs=0.1)
    assert (found.lower.value, found.upper.value) == pytest.approx((-69.4, 81.4), abs=0.15)


def test_six_correlations_of_shrout_and_fleiss():
    """Printed: .17 .29 .71 .44 .62 .91; mean squares 11.24, 6.26, 32.49, 1.02."""
    squares = mean_squares(table_sums(RATINGS).sum(axis=0))
    found = [squares.between, squares.within, squares.readers, squares.error]
    assert found == pytest.approx([11.2417, 6.2639, 32.4861, 1.0194], abs=1e-4)
    values = [one.value for one in intraclass(RATINGS).values()]
    assert np.round(values, 2).tolist() == [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]
    assert values == pytest.approx([0.16574, 0.28976, 0.71484, 0.44280, 0.62005, 0.90932], abs=1e-5)


def test_the_correlation_to_report():
    assert recommended(Design()).name == "ICC(2,1)"  # section 8.2: absolute agreement, readers random
    assert recommended(Design(readers_are_a_sample=False)).name == "ICC(3,1)"
    assert recommended(Design(crossed=False)).name == "ICC(1,1)"
    assert recommended(Design(averaged=True)).name == "ICC(2,k)"


def test_concordance_of_peak_flow():
    """0.943, the value of Stata's concord on these data (from memory)."""
    found = concordance(WRIGHT[:, 0], MINI[:, 0])
    assert found.concordance.value == pytest.approx(0.943, abs=5e-4)
    assert found.precision == pytest.approx(0.94328, abs=1e-5)
    assert found.concordance.value == pytest.approx(found.precision * found.accuracy)


def pairs(table):
    rows, columns = np.indices(np.shape(table))
    count = np.ravel(table)
    return np.repeat(rows.ravel(), count), np.repeat(columns.ravel(), count)


FOUR = [[20, 4, 1, 0], [5, 18, 6, 0], [0, 5, 15, 3], [0, 0, 2, 6]]


@pytest.mark.parametrize(
    ("table", "weights", "kappa"),
    [
        ([[20, 5], [10, 15]], "none", 0.4000),
        ([[45, 15], [25, 15]], "none", 0.1304),
        ([[25, 35], [5, 35]], "none", 0.2593),
        (FOUR, "none", 0.57443),
        (FOUR, "linear", 0.70175),
        (FOUR, "quadratic", 0.81807),
    ],
)
def test_kappa_of_textbook_tables(table, weights, kappa):
    a, b = pairs(table)
    assert confusion(a, b, range(len(table))).tolist() == table
    assert weighted_kappa(a, b, weights).value == pytest.approx(kappa, abs=5e-5)


def test_kappa_of_many_readers():
    """The worked example of Fleiss 1971 as in section 8.3: 10 subjects, 14 raters, kappa .20993."""
    rows = "0 0 0 0 14\n0 2 6 4 2\n0 0 3 5 6\n0 3 9 2 0\n2 2 8 1 1\n"
    rows += "7 7 0 0 0\n3 2 6 3 0\n2 5 3 2 2\n6 5 2 1 0\n0 2 2 3 7\n"
    counts = np.loadtxt(StringIO(rows))
    assert fleiss_kappa(counts).value == pytest.approx(0.20993, abs=5e-6)


def test_section_8_4():
    """SEM(8.7, .90) = 2.751 and MDC95 = 7.626; the half width of the limits is 1.96 sqrt(2) SEM."""
    error = Estimate(2.751, np.nan, np.nan, 1, 0.95, "", "", "")
    assert minimal_detectable_change(error).value == pytest.approx(7.626, abs=1e-3)
    two = np.stack([FIRST + 5.0, np.full(FIRST.size, 5.0)], axis=1)
    sem = standard_error_of_measurement(two, "consistency")
    half = (limits_of_agreement(FIRST).upper.value - limits_of_agreement(FIRST).lower.value) / 2
    assert minimal_detectable_change(sem).value == pytest.approx(half)
    for kind, name in (("agreement", "ICC(2,1)"), ("consistency", "ICC(3,1)")):
        rho = intraclass(RATINGS)[name].value
        sem = standard_error_of_measurement(RATINGS, kind).value
        between = sem**2 * rho / (1 - rho)  # SEM = SD sqrt(1 - ICC) with SD^2 the whole variance
        assert sem == pytest.approx(np.sqrt(between + sem**2) * np.sqrt(1 - rho))
        squares = mean_squares(table_sums(RATINGS).sum(axis=0))
        assert between == pytest.approx((squares.between - squares.error) / 4)


# 65 pairs published by Deal, Pate and El Rouby 2009, as in Wicklin, "Deming regression for comparing different
# measurement methods", The DO Loop 2019.
BLOOD = np.loadtxt(
    StringIO(
        "169.0 45.5 130.8 33.4 109.0 23.8 94.1 19.8 86.3 20.4\n"
        "78.4 18.7 76.1 16.1 72.2 16.7 70.0 11.9 69.8 14.6\n"
        "69.5 10.6 68.7 12.7 67.3 16.9 174.7 57.8 137.9 39.0\n"
        "114.6 30.4 99.8 21.1 90.1 21.7 85.1 25.2 80.7 20.6\n"
        "78.1 19.3 77.8 20.9 76.0 18.2 77.8 18.3 74.2 15.7\n"
        "73.1 13.9 182.5 55.5 144.0 38.7 123.8 35.1 107.6 30.6\n"
        "96.9 25.7 92.8 19.2 87.2 22.4 86.3 18.4 84.4 20.7\n"
        "83.7 20.6 83.3 20.0 83.9 18.8 82.7 21.8 160.8 49.9\n"
        "122.7 32.2 102.6 19.2 86.6 14.7 76.1 16.6 69.6 18.8\n"
        "66.7 7.4 64.4 8.2 63.0 15.5 61.7 13.7 61.2 9.2\n"
        "62.4 12.0 58.4 15.2 171.3 48.7 136.3 36.1 111.9 28.6\n"
        "96.5 21.8 90.3 25.6 82.9 16.8 78.1 14.1 76.5 14.2\n"
        "73.5 11.9 74.4 17.7 73.9 17.6 71.9 10.2 72.0 15.6\n"
    )
).reshape(-1, 2)


def test_deming_of_published_pairs():
    """Printed for the ratio s_x^2 / s_y^2: intercept -10.56415, slope 0.354463."""
    x, y = BLOOD.T
    assert len(x) == 65
    line = deming(x, y, ratio=x.var(ddof=1) / y.var(ddof=1))
    assert line.intercept.value == pytest.approx(-10.56415, abs=5e-6)
    assert line.slope.value == pytest.approx(0.354463, abs=5e-7)


def test_planning_against_published_numbers():
    """Bonett 2002: four raters, correlation .85, width .2 need 19.2 (documentation of the R package presize). Lu 2016:
    no bias, SD 3.3, bound 8 need 145 for a power of .8 (documentation of the R package SimplyAgree)."""
    assert films_for_intraclass(0.85, 0.2, 4).films == 20
    assert films_for_limits_within(8.0, 3.3).films == 145
