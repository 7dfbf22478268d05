"""Where nothing is justified: ``nan`` with a reason, or an error that names what is wrong; never a number."""

import numpy as np
import pytest

from raysplay.infer.agreement.statistics import bias as size
from raysplay.infer.agreement.statistics.accuracy import accuracy
from raysplay.infer.agreement.statistics.concordance import concordance
from raysplay.infer.agreement.statistics.inputs import clusters, complete
from raysplay.infer.agreement.statistics.interchange import interchangeability
from raysplay.infer.agreement.statistics.intraclass import intraclass
from raysplay.infer.agreement.statistics.kappa import confusion, fleiss_kappa, weighted_kappa
from raysplay.infer.agreement.statistics.limits import (
    limits_of_agreement,
    limits_regression,
    limits_repeated,
    limits_replicated,
)
from raysplay.infer.agreement.statistics.planning import (
    design_effect,
    films_for_intraclass,
    films_for_limits,
    films_for_limits_within,
)
from raysplay.infer.agreement.statistics.proportion import proportion
from raysplay.infer.agreement.statistics.regression import deming, passing_bablok
from raysplay.infer.agreement.statistics.repeatability import (
    repeat_films,
    standard_error_of_measurement,
    within_subject_sd,
)
from raysplay.infer.agreement.statistics.review_yield import error_against_review, interval_coverage, review_needed

NONE = np.full(5, np.nan)
ONE = [3.0]
SAME = np.full(12, 2.5)
SOME = np.arange(12.0)
NOISE = np.random.default_rng(0).normal(0, 1, 12)


def limits(found):
    return [found.sd, found.lower, found.upper]


def whole(found):
    """No value at all."""
    return [found] if not isinstance(found, list) else found


WITHOUT_VALUE = {
    "bias of nothing": lambda: size.bias([]),
    "bias of gaps": lambda: size.bias(NONE),
    "absolute error of gaps": lambda: size.mean_absolute_error(NONE),
    "square error of gaps": lambda: size.root_mean_square_error(NONE),
    "share of gaps": lambda: size.share_within(NONE, 2.0),
    "limits of nothing": lambda: limits(limits_of_agreement([])),
    "limits of one film": lambda: limits(limits_of_agreement(ONE)),
    "limits of equal differences": lambda: limits(limits_of_agreement(SAME)),
    "limits of one person": lambda: limits(limits_repeated(SOME, np.zeros(12, int))),
    "repeated limits without repeats": lambda: limits(limits_repeated(SOME, np.arange(12))),
    "limits of reads that never meet": lambda: limits(limits_replicated([[1.0], [np.nan]], [[np.nan], [2.0]])),
    "regression of few": lambda: list(limits_regression(SOME[:9], NOISE[:9]).upper),
    "regression on one size": lambda: list(limits_regression(NOISE, SAME).upper),
    "correlation of one reader": lambda: list(intraclass(SOME[:, None]).values()),
    "correlation of one film": lambda: list(intraclass([[1.0, 2.0]]).values()),
    "correlation of equal reads": lambda: list(intraclass(np.full((6, 3), 4.0)).values()),
    "correlation without a whole film": lambda: list(intraclass([[1.0, np.nan], [np.nan, 2.0]]).values()),
    "no film read twice": lambda: within_subject_sd([[1.0, np.nan], [2.0, np.nan]]),
    "error of one reader": lambda: standard_error_of_measurement(SOME[:, None]),
    "no foot with two films": lambda: repeat_films([[[1.0, 2.0], [np.nan, np.nan]]]).total,
    "concordance of two": lambda: concordance([1.0, 2.0], [1.0, 3.0]).concordance,
    "concordance with a constant": lambda: concordance(SOME, SAME).concordance,
    "deming of two": lambda: list(vars(deming([1.0, 2.0], [1.0, 3.0])).values()),
    "deming with a constant": lambda: list(vars(deming(SAME, SOME)).values()),
    "deming of what is not related": lambda: list(vars(deming([0.0, 0.0, 1.0, 1.0], [0.0, 1.0, 0.0, 1.0])).values()),
    "passing of a constant": lambda: list(vars(passing_bablok(SOME, SAME)).values()),
    "passing of what falls": lambda: list(vars(passing_bablok(SOME, -SOME)).values()),
    "passing of what is not related": lambda: list(vars(passing_bablok(SOME, NOISE)).values()),
    "kappa of nothing": lambda: weighted_kappa([], []),
    "kappa of one grade": lambda: weighted_kappa(["mild"] * 5, ["mild"] * 5),
    "kappa of many on one grade": lambda: fleiss_kappa([[3, 0], [3, 0]]),
    "sensitivity without positives": lambda: accuracy(SOME, SOME, 100.0).sensitivity,
    "specificity without negatives": lambda: accuracy(SOME, SOME, -1.0).specificity,
    "interchange with one reader": lambda: interchangeability(SOME, SOME[:, None]).index,
    "yield of gaps": lambda: list(error_against_review(NONE, NONE).kept),
    "coverage of gaps": lambda: interval_coverage(NONE, NONE, NONE, 0.9).coverage,
}


@pytest.mark.parametrize("name", WITHOUT_VALUE)
def test_no_value_and_a_reason(name):
    for found in whole(WITHOUT_VALUE[name]()):
        assert np.isnan([found.value, found.low, found.high]).all()
        assert found.why


GRID = np.add.outer(SOME, [0.0, 1.0, 2.0])
WITHOUT_INTERVAL = {
    "bias of one film": lambda: size.bias(ONE),
    "bias of equal differences": lambda: size.bias(SAME),
    "absolute error of equal sizes": lambda: size.mean_absolute_error([2.0, -2.0] * 10),
    "absolute error of nine films": lambda: size.mean_absolute_error(NOISE[:9]),
    "bias of few persons": lambda: size.bias(NOISE, np.repeat(np.arange(6), 2)),
    "share of one person": lambda: proportion([True, False], groups=[1, 1]),
    "equal repeated reads": lambda: within_subject_sd(np.repeat(SOME[:, None], 2, axis=1)),
    "readers who copied": lambda: standard_error_of_measurement(np.repeat(SOME[:, None], 2, axis=1)),
    "consistent readers": lambda: intraclass(GRID)["ICC(3,1)"],
    "correlation of few persons": lambda: intraclass(GRID + NOISE[:, None], np.repeat(np.arange(6), 2))["ICC(1,1)"],
    "pairs on one line": lambda: concordance(SOME, 2 * SOME).concordance,
    "deming on one line": lambda: deming(SOME, 2 * SOME).slope,
    "grades that all agree": lambda: weighted_kappa([1, 2] * 10, [1, 2] * 10),
    "interchange of few": lambda: interchangeability(SOME[:8], GRID[:8]).index,
}


@pytest.mark.parametrize("name", WITHOUT_INTERVAL)
def test_a_value_without_interval_says_why(name):
    found = WITHOUT_INTERVAL[name]()
    assert np.isfinite(found.value)
    assert np.isnan([found.low, found.high]).all()
    assert found.why


ERRORS = {
    "differences holds something that is not a number": lambda: size.bias(["1,5", 2.0]),
    "infinite number": lambda: size.bias([1.0, np.inf]),
    "must have 1 dimension": lambda: size.bias([[1.0], [2.0]]),
    "level must lie between 0 and 1, not 95": lambda: size.bias(SOME, level=95),
    "groups must have shape": lambda: size.bias(SOME, [1, 2]),
    "a row has no person": lambda: size.bias([1.0, 2.0], [1.0, np.nan]),
    "bound must be zero or more": lambda: size.share_within(SOME, -1.0),
    "unequal lengths: x 12, y 5": lambda: concordance(SOME, SOME[:5]),
    "method must be one of": lambda: limits_of_agreement(SOME, method="guess"),
    "share must lie": lambda: limits_of_agreement(SOME, share=95),
    "same films": lambda: limits_replicated(GRID, GRID[:3]),
    "ratio must be above zero": lambda: deming(SOME, SOME, ratio=0.0),
    "weights must be one of": lambda: weighted_kappa([1], [1], "cubic"),
    "not among the grades: Mild": lambda: confusion(["Mild"], ["mild"], ["mild", "severe"]),
    "a grade stands twice": lambda: confusion(["mild"], ["mild"], ["mild", "mild"]),
    "same number of readers": lambda: fleiss_kappa([[2, 1], [1, 1]]),
    "whole numbers": lambda: fleiss_kappa([[1.5, 1.5]]),
    "threshold must be a number": lambda: accuracy(SOME, SOME, np.nan),
    "interval must be one of": lambda: accuracy(SOME, SOME, 3.0, interval="wald"),
    "margin must be above zero": lambda: interchangeability(SOME, GRID, margin=0.0),
    "tool and readings": lambda: interchangeability(SOME, GRID[:3]),
    "kind must be agreement or consistency": lambda: standard_error_of_measurement(GRID, "both"),
    "shares must lie": lambda: error_against_review(SOME, SOME, [1.0]),
    "share_beyond needs a bound": lambda: error_against_review(SOME, SOME, statistic="share_beyond"),
    "statistic must be one of": lambda: review_needed(SOME, SOME, 1.0, statistic="median"),
    "ends before it begins": lambda: interval_coverage([2.0], [1.0], [1.5], 0.9),
    "hits must be one row": lambda: proportion([0, 1, 2]),
    "half_width must be above zero": lambda: films_for_limits(0.0, 1.0),
    "beyond the bound": lambda: films_for_limits_within(1.0, 1.0),
    "readers must be a whole number": lambda: films_for_intraclass(0.8, 0.2, 1),
    "correlation must lie": lambda: films_for_intraclass(1.0, 0.2, 2),
    "films must be 1 or more": lambda: design_effect(0.5, 0.1),
}


@pytest.mark.parametrize("message", ERRORS)
def test_misuse_is_an_error_that_names_it(message):
    with pytest.raises(ValueError, match=message):
        ERRORS[message]()


def test_an_error_never_repeats_a_cell():
    with pytest.raises(ValueError) as caught:  # noqa: PT011 - the words are what is tested
        size.bias(["Fresnel^Augustin", 2.0])
    assert "Fresnel" not in str(caught.value)


def test_persons_by_any_name():
    assert clusters(["b", "a", "b"], 3).tolist() == [1, 0, 1]
    (x,), person, kept = complete([5, 5, 7, 9], x=[1.0, np.nan, 2.0, 3.0])
    assert x.tolist() == [1.0, 2.0, 3.0]
    assert person.tolist() == [0, 1, 2]
    assert kept.tolist() == [True, False, True, True]


def test_duplicated_films_do_not_make_a_study_surer():
    """A film that stands twice under one person must not narrow the interval as two persons would."""
    d = np.random.default_rng(2).normal(0, 1, 40)
    once, twice = size.bias(d), size.bias(np.repeat(d, 2), np.repeat(np.arange(40), 2))
    naive = size.bias(np.repeat(d, 2))
    assert twice.high - twice.low == pytest.approx(once.high - once.low, rel=0.1)
    assert naive.high - naive.low < 0.75 * (twice.high - twice.low)
    for function in (size.mean_absolute_error, size.root_mean_square_error):
        assert function(np.repeat(d, 2), np.repeat(np.arange(40), 2)).low == pytest.approx(function(d).low)
    x = np.random.default_rng(3).normal(25, 8, 40)
    doubled = np.repeat(np.arange(40), 2)
    for line in (deming, passing_bablok):
        one, two = line(x, x + d).slope, line(np.repeat(x, 2), np.repeat(x + d, 2), groups=doubled).slope
        assert two.high - two.low == pytest.approx(one.high - one.low, rel=0.1)
    one = concordance(x, x + d).concordance
    two = concordance(np.repeat(x, 2), np.repeat(x + d, 2), doubled).concordance
    assert two.high - two.low > 0.75 * (one.high - one.low)


def test_a_tool_is_not_called_interchangeable_without_a_margin_or_an_interval():
    rng = np.random.default_rng(4)
    truth = rng.normal(25, 8, 100)
    reads = truth[:, None] + rng.normal(0, 2, (100, 3))
    assert interchangeability(truth, reads).interchangeable is None
    assert interchangeability(truth[:8], reads[:8], margin=4.0).interchangeable is None
    assert interchangeability(truth + rng.normal(0, 1, 100), reads, margin=2.0).interchangeable is True
    assert interchangeability(truth + rng.normal(3, 2, 100), reads, margin=2.0).interchangeable is False


def test_sessions_of_one_reader_never_count_as_two_readers():
    """A reader who repeats exactly does not make readers look alike."""
    rng = np.random.default_rng(5)
    truth = rng.normal(25, 8, 50)
    reads = truth[:, None] + rng.normal(0, 2, (50, 2))
    once = interchangeability(truth, reads)
    repeated = interchangeability(truth, np.repeat(reads[:, :, None], 3, axis=2))
    assert repeated.index.value == pytest.approx(once.index.value)
    assert repeated.reader_reader.value == pytest.approx(once.reader_reader.value)


@pytest.mark.parametrize(
    "limits_with",
    [
        lambda share: limits_of_agreement(SOME, share=share),
        lambda share: limits_repeated(SOME, np.arange(12) // 2, share=share),
        lambda share: limits_replicated(SOME[:, None], NOISE[:, None], share=share),
        lambda share: limits_regression(SOME, NOISE, share=share),
    ],
)
@pytest.mark.parametrize("share", [0.0, 1.0, 95, -0.1])
def test_a_share_that_is_none_is_refused_by_all_limits(limits_with, share):
    """A share of 95 for 95 % gave limits of nan, which read as if the films were at fault."""
    with pytest.raises(ValueError, match="share must lie between 0 and 1"):
        limits_with(share)
