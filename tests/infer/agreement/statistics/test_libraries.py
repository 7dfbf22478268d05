"""Statistics against general reference libraries, on random data with ties, missing reads and unequal replicates."""

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy import optimize, stats
from sklearn import metrics
from statsmodels.formula.api import ols
from statsmodels.regression.mixed_linear_model import MixedLM
from statsmodels.stats.anova import anova_lm
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.inter_rater import fleiss_kappa as fleiss_of_statsmodels
from statsmodels.stats.proportion import proportion_confint

from raysplay.infer.agreement.statistics.accuracy import accuracy
from raysplay.infer.agreement.statistics.bias import bias, mean_absolute_error, root_mean_square_error, share_within
from raysplay.infer.agreement.statistics.cluster_bootstrap import (
    ratio_error,
    ratio_interval,
    sums_interval,
    weights_interval,
)
from raysplay.infer.agreement.statistics.concordance import concordance
from raysplay.infer.agreement.statistics.interchange import interchangeability
from raysplay.infer.agreement.statistics.intraclass import NAMES, f_intervals, intraclass
from raysplay.infer.agreement.statistics.kappa import confusion, fleiss_kappa, weighted_kappa
from raysplay.infer.agreement.statistics.limits import (
    limits_of_agreement,
    limits_regression,
    limits_repeated,
    limits_replicated,
)
from raysplay.infer.agreement.statistics.mean_squares import mean_squares, table_sums
from raysplay.infer.agreement.statistics.proportion import proportion
from raysplay.infer.agreement.statistics.regression import deming, passing_bablok
from raysplay.infer.agreement.statistics.repeatability import (
    repeat_films,
    standard_error_of_measurement,
    within_subject_sd,
)

SEEDS = range(5)


def table(seed, n=25, k=4, ties=True):
    rng = np.random.default_rng(seed)
    reads = rng.normal(25, 8, (n, 1)) + rng.normal(0, 1, (1, k)) + rng.normal(0, 2, (n, k))
    return np.round(reads) if ties else reads


def long(reads):
    film, reader = np.indices(reads.shape)
    frame = pd.DataFrame({"film": film.ravel(), "reader": reader.ravel(), "value": reads.ravel()})
    return frame.dropna()


@pytest.mark.parametrize("seed", SEEDS)
def test_correlations_and_their_intervals(seed):
    """pingouin.intraclass_corr, films with a missing read left out by both; its intervals of ICC(2) are
    Satterthwaite's, those that are reported lie about them (``test_the_interval_of_icc_2``)."""
    reads = table(seed)
    reads[[3, 7], [0, 2]] = np.nan
    found = intraclass(reads)
    sums = table_sums(reads[np.isfinite(reads).all(axis=1)]).sum(axis=0)
    expected = pingouin.intraclass_corr(long(reads), "film", "reader", "value", nan_policy="omit")
    assert found["ICC(2,1)"].n == 23
    for name, (_, row) in zip(NAMES, expected.iterrows(), strict=True):
        low, high = row[next(column for column in expected.columns if column.startswith("CI95"))]
        assert found[name].value == pytest.approx(row["ICC"])
        by_f = [float(end[NAMES.index(name)]) for end in f_intervals(mean_squares(sums), 0.95)]
        assert [round(end, 2) for end in by_f] == pytest.approx([low, high], abs=0.0101)
        if "(2," not in name:
            assert [found[name].low, found[name].high] == pytest.approx(by_f)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_interval_of_icc_2(seed):
    """Generalised pivots with draws of their own, plainly coded; near Satterthwaite's where readers hardly differ."""
    reads = table(seed, n=30, k=4, ties=False)
    squares = mean_squares(table_sums(reads).sum(axis=0))
    rng = np.random.default_rng(seed)
    drawn = []
    for _ in range(20000):
        b = squares.between * 29 / rng.chisquare(29)
        j = squares.readers * 3 / rng.chisquare(3)
        e = squares.error * 87 / rng.chisquare(87)
        drawn.append((b - e) / 4 / ((b - e) / 4 + max(j - e, 0) / 30 + e))
    found = intraclass(reads)["ICC(2,1)"]
    assert (found.low, found.high) == pytest.approx(tuple(np.quantile(drawn, [0.025, 0.975])), abs=0.01)


@pytest.mark.parametrize("seed", SEEDS)
def test_mean_squares(seed):
    reads = table(seed)
    expected = anova_lm(ols("value ~ C(film) + C(reader)", long(reads)).fit())["mean_sq"]
    found = mean_squares(table_sums(reads).sum(axis=0))
    assert [found.between, found.readers, found.error] == pytest.approx(
        expected[["C(film)", "C(reader)", "Residual"]].tolist()
    )
    assert standard_error_of_measurement(reads, "consistency").value == pytest.approx(np.sqrt(expected["Residual"]))
    variance = (expected["C(reader)"] - expected["Residual"]) / 25 + expected["Residual"]
    assert standard_error_of_measurement(reads).value == pytest.approx(np.sqrt(variance))


@pytest.mark.parametrize("seed", SEEDS)
def test_within_subject_sd_of_unequal_replicates(seed):
    """Residual of a one-way analysis of variance by statsmodels."""
    rng = np.random.default_rng(seed)
    reads = table(seed)
    reads[rng.random(reads.shape) < 0.3] = np.nan
    fit = ols("value ~ C(film)", long(reads)).fit()
    found = within_subject_sd(reads)
    assert found.value == pytest.approx(np.sqrt(fit.mse_resid))
    ends = fit.ssr / stats.chi2.ppf([0.975, 0.025], fit.df_resid)
    assert (found.low, found.high) == pytest.approx(tuple(np.sqrt(ends)))


def test_limits_of_repeated_measures_by_a_mixed_model():
    """Equal numbers of differences a person: REML of statsmodels gives the same variance components."""
    rng = np.random.default_rng(1)
    person = np.repeat(np.arange(30), 3)
    d = np.repeat(rng.normal(1, 2, 30), 3) + rng.normal(0, 1.5, 90)
    fit = MixedLM(d, np.ones((90, 1)), groups=person).fit(reml=True)
    found = limits_repeated(d, person)
    assert found.bias.value == pytest.approx(fit.fe_params[0])
    assert found.sd.value == pytest.approx(np.sqrt(float(fit.cov_re[0, 0]) + fit.scale), rel=1e-4)
    assert found.upper.value == pytest.approx(found.bias.value + 1.959964 * found.sd.value)


def test_persons_of_one_film_each_change_nothing():
    rng = np.random.default_rng(3)
    x, y = rng.normal(25, 8, (2, 20, 3))
    assert limits_replicated(x, y, groups=np.arange(20)) == limits_replicated(x, y)
    single = limits_replicated(x[:, :1], y[:, :1], groups=np.repeat(np.arange(10), 2))
    assert single.sd.value == pytest.approx(limits_repeated(x[:, 0] - y[:, 0], np.repeat(np.arange(10), 2)).sd.value)


def test_repeat_films_by_nested_analysis_of_variance():
    """Two films a foot, two reads a film: expected mean squares of the nested table by statsmodels."""
    rng = np.random.default_rng(2)
    reads = rng.normal(25, 8, (20, 1, 1)) + rng.normal(0, 1.5, (20, 2, 1)) + rng.normal(0, 1, (20, 2, 2))
    foot, film, _ = np.indices(reads.shape)
    frame = pd.DataFrame({"foot": foot.ravel(), "film": film.ravel(), "value": reads.ravel()})
    square = anova_lm(ols("value ~ C(foot) / C(film)", frame).fit())["mean_sq"]
    found = repeat_films(reads)
    assert found.reading.value == pytest.approx(np.sqrt(square["Residual"]))
    assert found.film == pytest.approx(np.sqrt((square["C(foot):C(film)"] - square["Residual"]) / 2))
    assert found.total.value == pytest.approx(np.hypot(found.film, found.reading.value))


@pytest.mark.parametrize("seed", SEEDS)
def test_errors_and_shares(seed):
    """scipy's t interval, scikit-learn's errors, statsmodels' intervals of Wilson."""
    rng = np.random.default_rng(seed)
    truth = np.round(rng.normal(25, 8, 40))
    tool = np.round(truth + rng.normal(1, 3, 40))
    d = np.append(tool - truth, [np.nan, np.nan])
    found = bias(d)
    expected = stats.ttest_1samp(d[:40], 0).confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx((expected.low, expected.high))
    assert mean_absolute_error(d).value == pytest.approx(metrics.mean_absolute_error(truth, tool))
    assert root_mean_square_error(d).value == pytest.approx(metrics.root_mean_squared_error(truth, tool))
    within = share_within(d, 3.0)
    assert within.value == np.mean(np.abs(tool - truth) <= 3)
    low, high = proportion_confint(int(np.sum(np.abs(d[:40]) <= 3)), 40, method="wilson")
    assert (within.low, within.high) == pytest.approx((low, high))


@pytest.mark.parametrize("hits", [0, 1, 7, 19, 20])
@pytest.mark.parametrize(("kind", "name"), [("wilson", "wilson"), ("clopper_pearson", "beta")])
def test_intervals_of_a_share(hits, kind, name):
    found = proportion(np.arange(20) < hits, kind)
    assert (found.low, found.high) == pytest.approx(proportion_confint(hits, 20, method=name), abs=1e-12)


def test_error_of_a_mean_over_persons():
    """statsmodels' covariance by clusters, with its small-sample factor p / (p - 1)."""
    rng = np.random.default_rng(3)
    person = np.sort(rng.integers(0, 15, 40))
    person = np.unique(person, return_inverse=True)[1]
    values = rng.normal(0, 1, 40) + person * 0.1
    fit = ols("v ~ 1", pd.DataFrame({"v": values})).fit(cov_type="cluster", cov_kwds={"groups": person})
    assert ratio_error(values, np.ones(40), person) == pytest.approx(fit.bse.iloc[0], rel=1e-9)


def test_corrected_bootstrap_by_scipy():
    """scipy.stats.bootstrap, BCa, many draws by both: the same interval but for the draws."""
    x = np.random.default_rng(4).exponential(1.0, 40)
    expected = stats.bootstrap((x,), np.std, n_resamples=20000, method="BCa", rng=np.random.default_rng(1))

    def sd(weights):
        mean = weights @ x / weights.sum(axis=1)
        return np.sqrt(weights @ x**2 / weights.sum(axis=1) - mean**2)[:, None]

    low, high = weights_interval(sd, np.arange(40), 0.95, samples=20000)
    assert (low[0], high[0]) == pytest.approx(tuple(expected.confidence_interval), rel=0.02)


def test_bootstrap_by_person_is_that_of_the_persons():
    """Two equal feet a person: as good as one; the BCa interval by scipy's bootstrap of the persons."""
    x = np.random.default_rng(5).normal(0, 1, 30)
    person = np.repeat(np.arange(30), 2)
    both = np.repeat(x, 2)
    low, high = weights_interval(lambda w: (w @ both / w.sum(axis=1))[:, None], person, 0.95, samples=20000)
    expected = stats.bootstrap((x,), np.mean, n_resamples=20000, method="BCa", rng=np.random.default_rng(1))
    assert (low[0], high[0]) == pytest.approx(tuple(expected.confidence_interval), abs=0.02)
    assert ratio_interval(both, np.ones(60), person, 0.95) == pytest.approx(
        ratio_interval(x, np.ones(30), np.arange(30), 0.95)
    )


def test_studentised_bootstrap_of_a_mean_both_ways():
    """The general way with a numerical gradient, and the short one of a ratio of sums."""
    x = np.random.default_rng(6).exponential(1.0, 40)
    person = np.repeat(np.arange(20), 2)
    low, high = sums_interval(np.stack([x, np.ones(40)], axis=1), lambda s: s[..., :1] / s[..., 1:], person, 0.95)
    assert (low[0], high[0]) == pytest.approx(ratio_interval(x, np.ones(40), person, 0.95, squares=True), rel=1e-6)


@pytest.mark.parametrize("seed", SEEDS)
def test_concordance_by_moments_and_by_large_samples(seed):
    """Definition by numpy's covariance; error by the delta method on simulated moments of a bivariate normal."""
    rng = np.random.default_rng(seed)
    truth = rng.normal(25, 8, 50)
    x, y = np.round(truth + rng.normal(0, 2, 50)), np.round(truth + rng.normal(1, 3, 50))
    cov = np.cov(x, y, ddof=0)
    expected = 2 * cov[0, 1] / (cov[0, 0] + cov[1, 1] + (x.mean() - y.mean()) ** 2)
    found = concordance(np.append(x, np.nan), np.append(y, 3.0))
    assert found.concordance.value == pytest.approx(expected)
    assert found.concordance.n == 50
    draws = np.random.default_rng(0).multivariate_normal([x.mean(), y.mean()], cov, (4000, 50))
    mean, off = draws.mean(axis=1), draws - draws.mean(axis=1, keepdims=True)
    both = (off[..., 0] ** 2 + off[..., 1] ** 2).mean(axis=1) + (mean[:, 0] - mean[:, 1]) ** 2
    spread = np.std(np.arctanh(2 * (off[..., 0] * off[..., 1]).mean(axis=1) / both))
    half = (np.arctanh(found.concordance.high) - np.arctanh(found.concordance.low)) / 2
    assert half / 1.959964 == pytest.approx(spread, rel=0.06)


@pytest.mark.parametrize("ratio", [0.5, 1.0, 4.0])
def test_deming_is_the_nearest_line(ratio):
    """Weighted distances of the pairs from a line are least there, by scipy's minimiser; missing pairs left out."""
    rng = np.random.default_rng(6)
    truth = rng.normal(25, 8, 40)
    x = truth + rng.normal(0, 2, 40)
    y = 1.2 * truth - 3 + rng.normal(0, 2 * np.sqrt(ratio), 40)

    def distance(line):
        return np.sum((y - line[0] * x - line[1]) ** 2) / (ratio + line[0] ** 2)

    fit = optimize.minimize(distance, [1.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    line = deming(np.append(x, np.nan), np.append(y, 1.0), ratio)
    assert (line.slope.value, line.intercept.value) == pytest.approx(tuple(fit.x), rel=1e-5)


def test_jackknife_of_deming_leaves_out_one_film_at_a_time():
    rng = np.random.default_rng(7)
    x, y = rng.normal(25, 8, (2, 20))
    y = x + rng.normal(0, 2, 20)
    slopes = [deming(np.delete(x, i), np.delete(y, i)).slope.value for i in range(20)]
    error = np.sqrt(19 / 20 * np.sum((slopes - np.mean(slopes)) ** 2))
    line = deming(x, y)
    assert line.slope.high - line.slope.value == pytest.approx(stats.t.ppf(0.975, 18) * error)


@pytest.mark.parametrize("seed", SEEDS)
def test_passing_and_bablok_by_definition(seed):
    """A plain loop over all pairs as published; where all slopes are above -1 the slope is scipy's Theil-Sen median."""
    rng = np.random.default_rng(seed)
    x = np.round(rng.normal(25, 8, 30))
    y = np.round(x + rng.normal(0, 3, 30))
    slopes = []
    for i in range(30):
        for j in range(i + 1, 30):
            dx, dy = x[i] - x[j], y[i] - y[j]
            if dx == 0 and dy == 0:
                continue
            slope = np.sign(dy) * np.inf if dx == 0 else dy / dx
            if slope != -1:
                slopes.append(slope)
    slopes.sort()
    n, k = len(slopes), sum(slope < -1 for slope in slopes)
    middle = slopes[(n + 1) // 2 + k - 1] if n % 2 else (slopes[n // 2 + k - 1] + slopes[n // 2 + k]) / 2
    c = 1.959964 * np.sqrt(30 * 29 * 65 / 18)
    first = int(np.floor((n - c) / 2 + 0.5))
    line = passing_bablok(x, y).slope
    assert (line.value, line.low, line.high) == pytest.approx((middle, slopes[first + k - 1], slopes[n - first + k]))
    x = np.arange(30.0)
    y = x + rng.uniform(-0.4, 0.4, 30)
    assert passing_bablok(x, y).slope.value == pytest.approx(stats.theilslopes(y, x).slope)


def test_slopes_of_minus_one_are_left_out_of_readings_with_decimals_too():
    """5.1 - 5.2 over 7.3 - 7.2 is not exactly -1 in a computer; tenths must give what whole numbers give."""
    rng = np.random.default_rng(10)
    x = np.round(rng.normal(250, 80, 40))
    y = np.round(x + rng.normal(0, 40, 40))
    whole, tenths = passing_bablok(x, y), passing_bablok(x / 10, y / 10)
    for name in ("value", "low", "high"):
        assert getattr(tenths.slope, name) == pytest.approx(getattr(whole.slope, name))
    small = (
        passing_bablok(np.round(x / 20), np.round(y / 20)),
        passing_bablok(np.round(x / 20) / 10, np.round(y / 20) / 10),
    )
    for name in ("value", "low", "high"):
        assert getattr(small[1].slope, name) == pytest.approx(getattr(small[0].slope, name))


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize(("weights", "of_sklearn"), [("none", None), ("linear", "linear"), ("quadratic", "quadratic")])
def test_kappa(seed, weights, of_sklearn):
    """scikit-learn's value, statsmodels' large-sample error; missing grades left out."""
    rng = np.random.default_rng(seed)
    a = rng.integers(0, 4, 80)
    b = np.clip(a + rng.choice([-1, 0, 0, 0, 1], 80), 0, 3)
    names = np.array(["normal", "mild", "moderate", "severe"], dtype=object)
    first, second = [*names[a], None, "mild"], [*names[b], "mild", ""]
    found = weighted_kappa(first, second, weights, labels=list(names))
    assert found.value == pytest.approx(metrics.cohen_kappa_score(a, b, weights=of_sklearn))
    cells = confusion(first, second, list(names))
    assert cells.tolist() == metrics.confusion_matrix(a, b).tolist()
    expected = cohens_kappa(cells, wt=None if weights == "none" else weights)
    ends = np.arctanh([found.low, found.high])
    assert ends.mean() == pytest.approx(np.arctanh(found.value))
    error = (ends[1] - ends[0]) / 2 * (1 - found.value**2) / stats.t.ppf(0.975, 79) * np.sqrt(79 / 80)
    assert error == pytest.approx(expected.std_kappa, rel=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_kappa_of_many_readers(seed):
    counts = np.random.default_rng(seed).multinomial(5, [0.5, 0.3, 0.2], 30)
    assert fleiss_kappa(counts).value == pytest.approx(fleiss_of_statsmodels(counts))


@pytest.mark.parametrize("seed", SEEDS)
def test_sensitivity_and_specificity(seed):
    """scikit-learn's recall and precision; the threshold itself is positive."""
    rng = np.random.default_rng(seed)
    truth = np.round(rng.normal(15, 4, 60))
    tool = np.round(truth + rng.normal(0, 2, 60))
    found = accuracy(np.append(tool, np.nan), np.append(truth, 20.0), 15.0, interval="clopper_pearson")
    real, called = truth >= 15, tool >= 15
    assert found.sensitivity.value == pytest.approx(metrics.recall_score(real, called))
    assert found.specificity.value == pytest.approx(metrics.recall_score(~real, ~called))
    assert found.positive_predictive.value == pytest.approx(metrics.precision_score(real, called))
    assert found.negative_predictive.value == pytest.approx(metrics.precision_score(~real, ~called))
    counts = [[found.true_negative, found.false_positive], [found.false_negative, found.true_positive]]
    assert counts == metrics.confusion_matrix(real, called).tolist()
    low, high = proportion_confint(found.true_positive, int(real.sum()), method="beta")
    assert (found.sensitivity.low, found.sensitivity.high) == pytest.approx((low, high))


def test_limits_by_regression():
    """Both lines by statsmodels' least squares; the interval of the first slope by its HC3 errors and t."""
    rng = np.random.default_rng(8)
    mean = rng.uniform(10, 50, 80)
    d = 0.5 + 0.05 * mean + rng.normal(0, 1, 80) * 0.1 * mean
    frame = pd.DataFrame({"d": d, "a": mean})
    first = ols("d ~ a", frame).fit()
    frame["r"] = np.abs(first.resid)
    second = ols("r ~ a", frame).fit()
    found = limits_regression(d, mean, sizes=[20.0, 40.0])
    assert (found.intercept.value, found.slope.value) == pytest.approx(tuple(first.params))
    assert (found.spread_intercept.value, found.spread_slope.value) == pytest.approx(tuple(second.params))
    spread = 2.4565 * second.predict(pd.DataFrame({"a": [20.0, 40.0]}))  # 1.96 sqrt(pi / 2), printed as 2.46
    assert [one.value for one in found.upper] == pytest.approx(
        list(first.predict(pd.DataFrame({"a": [20.0, 40.0]})) + spread), rel=1e-4
    )
    assert found.spread_grows
    ends = first.get_robustcov_results("HC3", use_t=True).conf_int()[1]
    assert (found.slope.low, found.slope.high) == pytest.approx(tuple(ends), rel=1e-6)
    flat = limits_regression(rng.normal(0, 1, 80), mean)
    assert not flat.spread_grows


@pytest.mark.parametrize("seed", SEEDS)
def test_interchange_by_definition(seed):
    """A plain loop over films, readers and sessions with missing reads."""
    rng = np.random.default_rng(seed)
    truth = rng.normal(25, 8, 15)
    tool = truth + rng.normal(0, 1, 15)
    reads = truth[:, None, None] + rng.normal(0, 2, (15, 3, 2))
    reads[rng.random(reads.shape) < 0.3] = np.nan
    tool[4] = np.nan
    indices = []
    for film in range(15):
        own = [(tool[film] - x) ** 2 for x in reads[film].ravel() if np.isfinite(x)]
        other = [
            (reads[film, i, s] - reads[film, j, t]) ** 2
            for i in range(3)
            for j in range(i + 1, 3)
            for s in range(2)
            for t in range(2)
            if np.isfinite(reads[film, i, s] + reads[film, j, t])
        ]
        if other and np.isfinite(tool[film]):
            indices.append(np.mean(own) - np.mean(other))
    found = interchangeability(tool, reads)
    assert found.index.n == len(indices)
    assert found.index.value == pytest.approx(np.mean(indices))


def test_exact_limits_by_simulated_pivot():
    """The exact interval's multiples of s, by a million simulated studies of 10 films."""
    rng = np.random.default_rng(9)
    mean, sd = rng.normal(0, 1 / np.sqrt(10), 10**6), np.sqrt(rng.chisquare(9, 10**6) / 9)
    pivot = (1.959964 - mean) / sd
    found = limits_of_agreement(np.random.default_rng(1).normal(0, 1, 10))
    ends = (np.array([found.upper.low, found.upper.high]) - found.bias.value) / found.sd.value
    assert ends == pytest.approx(np.quantile(pivot, [0.025, 0.975]), rel=0.01)
