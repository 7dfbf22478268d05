"""Review yield and coverage of intervals (definitions; common practice, no source)."""

import numpy as np
import pytest

from raysplay.infer.agreement.statistics.review_yield import error_against_review, interval_coverage, review_needed


def films(n=400, seed=0):
    rng = np.random.default_rng(seed)
    doubt = rng.uniform(0.5, 3.0, n)
    return rng.normal(0, 1, n) * doubt, doubt


def test_what_stays_is_the_least_doubtful():
    error, doubt = films()
    found = error_against_review(error, doubt, [0.0, 0.25, 0.5])
    order = np.argsort(doubt)
    for one, left in zip(found.kept, (400, 300, 200), strict=True):
        assert one.value == pytest.approx(np.abs(error[order[:left]]).mean())
        assert one.n == left
    assert found.kept[0].value > found.kept[1].value > found.kept[2].value
    assert found.at_random == found.kept[0].value


def test_root_mean_square_and_share_beyond():
    error, doubt = films()
    left = np.argsort(doubt)[:200]
    square = error_against_review(error, doubt, [0.5], statistic="root_mean_square").kept[0]
    assert square.value == pytest.approx(np.sqrt(np.mean(error[left] ** 2)))
    beyond = error_against_review(error, doubt, [0.5], statistic="share_beyond", beyond=2.0).kept[0]
    assert beyond.value == pytest.approx(np.mean(np.abs(error[left]) > 2.0))
    assert 0.0 <= beyond.low < beyond.value < beyond.high <= 1.0


def test_equal_doubt_gains_nothing_in_whatever_order_the_films_stand():
    error, _ = films(60)
    found = error_against_review(error, np.ones(60), [0.0, 0.3, 0.6])
    assert [one.value for one in found.kept] == pytest.approx([np.abs(error).mean()] * 3)
    two = np.repeat([1.0, 2.0], 30)
    sorted_up = error_against_review(np.sort(np.abs(error)), two, [0.25]).kept[0].value
    shuffled = np.concatenate([np.sort(np.abs(error))[:30], np.sort(np.abs(error))[30:][::-1]])
    assert error_against_review(shuffled, two, [0.25]).kept[0].value == pytest.approx(sorted_up)


def test_share_to_review_keeps_the_bound_from_there_on():
    error, doubt = films()
    found = review_needed(error, doubt, 1.0)
    assert 0.0 < found.share < found.safe_share < 1.0
    after = error_against_review(error, doubt, [found.share, found.safe_share]).kept
    assert after[0].value <= 1.0
    assert after[1].high <= 1.0
    assert error_against_review(error, doubt, [found.share - 0.01]).kept[0].value > 1.0


def test_the_safe_share_keeps_the_bound_on_new_films():
    """New films, cut at the doubt that the first study found: the bound holds nearly always by the safe share, about
    half of the time by the figure itself."""
    held = {"share": 0, "safe_share": 0}
    for seed in range(40):
        error, doubt = films(seed=seed)
        found = review_needed(error, doubt, 1.0, steps=50)
        new_error, new_doubt = films(20000, seed=1000 + seed)
        for name in held:
            cut = np.quantile(doubt, 1.0 - getattr(found, name))
            held[name] += np.abs(new_error[new_doubt <= cut]).mean() <= 1.0
    assert held["safe_share"] >= 37
    assert 10 <= held["share"] <= 32


def test_no_share_where_doubt_does_not_point_at_errors():
    error, doubt = films()
    found = review_needed(np.abs(error) + 5.0, doubt, 1.0)
    assert np.isnan([found.share, found.safe_share]).all()
    assert "doubt does not point" in found.why
    assert review_needed(error, doubt, 100.0).share == 0.0


def test_misses_are_counted_on_the_side_where_they_lie():
    truth = np.zeros(10)
    low = np.array([-1.0] * 7 + [0.5, 0.5, -3.0])
    found = interval_coverage(low, low + 2.0, truth, 0.9)
    assert (found.coverage.value, found.below, found.above) == (0.7, 2, 1)
    assert found.width == 2.0
    edge = interval_coverage([0.0, -1.0], [1.0, 0.0], [0.0, 0.0], 0.9)
    assert edge.coverage.value == 1.0  # the ends belong to the interval
