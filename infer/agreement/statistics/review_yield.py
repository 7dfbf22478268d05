"""What sending doubtful films to a person buys, and whether the tool's intervals hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.infer.agreement.statistics.cluster_bootstrap import FEWEST, ratio_interval
from raysplay.infer.agreement.statistics.estimate import Basis, Estimate
from raysplay.infer.agreement.statistics.inputs import FloatArray, checked_level, complete, numbers
from raysplay.infer.agreement.statistics.proportion import proportion

STATISTICS = ("mean_absolute", "root_mean_square", "share_beyond")

KEPT = Basis(
    "most doubtful films taken out; studentised bootstrap over those that stay, the cut held",
    "doubt orders new films as it does these; a film sent to a person leaves no error of the tool",
    "risk and coverage of a classifier with a reject option: El-Yaniv and Wiener, Journal of Machine Learning Research "
    "2010;11:1605 (from memory)",
)


@dataclass(frozen=True)
class ReviewYield:
    """Error among the films that stay with the tool, by the share sent to a person.

    Attributes
    ----------
    shares : ndarray, shape (k,)
    kept : tuple of Estimate, length k
        The chosen statistic; ``n`` counts the films that stay.
    at_random : float
        The statistic of all films: what stays if films are sent by lot.
    """

    shares: FloatArray
    kept: tuple[Estimate, ...]
    at_random: float


def error_against_review(
    errors: npt.ArrayLike,
    doubt: npt.ArrayLike,
    shares: npt.ArrayLike | None = None,
    *,
    statistic: str = "mean_absolute",
    beyond: float | None = None,
    groups: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> ReviewYield:
    """How the error falls as the most doubtful share of films goes to a person.

    Films of equal doubt cannot be told apart: where a cut falls among them, each counts with the share of them that
    stays, which is the mean over all ways to choose.

    Parameters
    ----------
    errors : array_like, shape (n,)
        Tool minus truth, in the unit of the measure.
    doubt : array_like, shape (n,)
        Larger is more doubtful, such as the width of the interval.
    shares : array_like, shape (k,), optional
        0 up to, not including, 1; left out, 0 to 0.9 in steps of 0.05.
    statistic : {'mean_absolute', 'root_mean_square', 'share_beyond'}
    beyond : float, optional
        Bound for ``share_beyond``.
    groups : array_like of int, shape (n,), optional
        Person of each film.
    level : float

    Returns
    -------
    ReviewYield
        In the unit of the errors, or 0..1.

    Raises
    ------
    ValueError
        If a share lies outside 0..1, the statistic is none, a bound is missing, lengths differ, or the level does not
        lie between 0 and 1.

    Examples
    --------
    >>> found = error_against_review([1.0, 1.0, 2.0, 8.0], [0.1, 0.2, 0.3, 0.9], [0.0, 0.25, 0.5])
    >>> [round(one.value, 3) for one in found.kept]
    [3.0, 1.333, 1.0]
    """
    checked_level(level)
    size, weights, person, at, power = _prepared(errors, doubt, shares, statistic, beyond, groups)
    n = size.size
    if n == 0:
        none = KEPT.unknown("no film has an error and a doubt", 0, level)
        return ReviewYield(at, (none,) * len(at), np.nan)
    return ReviewYield(
        at,
        tuple(_kept(size, weight, person, statistic, power, level) for weight in weights),
        float(size.mean()) ** power,
    )


def _kept(
    size: FloatArray, weight: FloatArray, person: npt.NDArray[np.int64], statistic: str, power: float, level: float
) -> Estimate:
    left = weight > 0.0
    count = int(left.sum())
    if count == 0:
        return KEPT.unknown("no film stays", 0, level)
    value = float(np.sum(weight * size) / np.sum(weight)) ** power
    who = np.unique(person[left], return_inverse=True)[1].reshape(-1)
    persons = int(who.max()) + 1
    if statistic == "share_beyond":
        groups = None if persons == count else who
        share = proportion(size[left] > 0.5, groups=groups, level=level)
        # Only films at the cut count in part, so the interval of those that stay is moved to the weighted share.
        moved = value - share.value
        low, high = max(0.0, share.low + moved), min(1.0, share.high + moved)
        return Basis(f"most doubtful films taken out; {share.method}", KEPT.assumption, KEPT.source).estimate(
            value, low, high, count, level
        )
    why = f"{persons} independent films or persons; a bootstrap needs {FEWEST}" if persons < FEWEST else ""
    low, high = ratio_interval(
        (weight * size)[left], weight[left], who, level, logarithm=True, squares=statistic == "root_mean_square"
    )
    return KEPT.estimate(value, low**power, high**power, count, level, why)


@dataclass(frozen=True)
class ReviewNeeded:
    """Least share of films to send to a person so that the error of those that stay keeps a bound.

    Attributes
    ----------
    share : float
        By the figure itself; ``nan`` where no share does.
    safe_share : float
        By the upper end of its interval, which is what to plan with; ``nan`` where none was found.
    why : str
        Why a share is missing.
    """

    share: float
    safe_share: float
    why: str


def review_needed(
    errors: npt.ArrayLike,
    doubt: npt.ArrayLike,
    bound: float,
    *,
    statistic: str = "mean_absolute",
    beyond: float | None = None,
    groups: npt.ArrayLike | None = None,
    level: float = 0.95,
    steps: int = 100,
) -> ReviewNeeded:
    """Share to review for a stated bound.

    By the figure, every larger share keeps the bound too. The safe share is found by halving, as if the upper end fell
    all the way. Where even the most certain films fail, their interval is too wide or the bound too narrow.

    Parameters
    ----------
    errors, doubt, statistic, beyond, groups, level
        As for ``error_against_review``.
    bound : float
        Largest error that may stay, in the unit of the statistic.
    steps : int
        Shares tried, evenly from 0 up to, not including, 1.

    Returns
    -------
    ReviewNeeded
        Both shares are ones that were tried, or ``nan`` with the reason.

    Raises
    ------
    ValueError
        If the bound is no number or below zero, no share is to be tried, or as ``error_against_review`` says.

    Examples
    --------
    >>> doubt = np.arange(100.0)
    >>> found = review_needed(0.05 * doubt, doubt, 1.0)
    >>> round(found.share, 2), bool(found.safe_share > found.share)
    (0.59, True)
    """
    checked_level(level)
    if not (np.isfinite(bound) and bound >= 0.0):
        raise ValueError(f"bound must be zero or more, not {bound}")
    if steps < 1:
        raise ValueError(f"steps must be 1 or more, not {steps}")
    at = np.arange(steps) / steps
    size, weights, person, at, power = _prepared(errors, doubt, at, statistic, beyond, groups)
    if size.size == 0:
        return ReviewNeeded(np.nan, np.nan, "no film has an error and a doubt")
    total = weights.sum(axis=1)
    stays = total * size.size >= 1.0 - 1e-9  # below one whole film nothing is left to judge
    weights, at = weights[stays], at[stays]
    value = (weights @ size / weights.sum(axis=1)) ** power
    share = _first_of_tail(at, value <= bound + 1e-12)
    safe = np.nan
    if np.isfinite(share):

        def holds(i: int) -> bool:
            return bool(_kept(size, weights[i], person, statistic, power, level).high <= bound)

        # The upper end is sought by halving, since each costs a bootstrap; the last with enough persons is the ceiling.
        enough = [i for i in range(len(at)) if len(np.unique(person[weights[i] > 0.0])) >= FEWEST]
        low, high = int(np.searchsorted(at, share)), enough[-1] if enough else -1
        if high >= low and holds(high):
            while low < high:
                middle = (low + high) // 2
                low, high = (low, middle) if holds(middle) else (middle + 1, high)
            safe = float(at[high])
    why = "" if np.isfinite(safe) else "no share keeps the bound with its interval; more films, or a wider bound"
    if not np.isfinite(share):
        why = "no share keeps the bound: doubt does not point at the errors"
    return ReviewNeeded(share, safe, why)


@dataclass(frozen=True)
class Coverage:
    """How often the tool's intervals hold the truth.

    Attributes
    ----------
    coverage : Estimate
        Share of truths inside.
    promised : float
        Level that the intervals promise.
    width : float
        Mean width, in the unit of the measure.
    below, above : int
        Truths under the lower and over the upper end: one-sided misses are a bias, not narrow intervals.
    """

    coverage: Estimate
    promised: float
    width: float
    below: int
    above: int


def interval_coverage(
    low: npt.ArrayLike,
    high: npt.ArrayLike,
    truth: npt.ArrayLike,
    promised: float,
    groups: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> Coverage:
    """Share of films whose truth lies between ``low`` and ``high``.

    The factor that would make the intervals hold what they promise is ``raysplay.infer.compare.calibration``.

    Parameters
    ----------
    low, high, truth : array_like, shape (n,)
        In the unit of the measure; a film with a gap in one of them is left out.
    promised : float
        0..1.
    groups : array_like of int, shape (n,), optional
    level : float
        Of the share's own interval.

    Returns
    -------
    Coverage
        A truth at an end counts as inside. Share and width are ``nan`` where no film is complete.

    Raises
    ------
    ValueError
        If an interval ends before it begins, lengths differ, or ``promised`` or the level do not lie between 0 and 1.

    Examples
    --------
    >>> found = interval_coverage([1.0, 2.0, 3.0], [2.0, 3.0, 4.0], [1.5, 3.5, 3.2], 0.9)
    >>> round(found.coverage.value, 3), found.width, found.above
    (0.667, 1.0, 1)
    """
    checked_level(level)
    checked_level(promised)
    (start, end, real), person, _ = complete(groups, low=low, high=high, truth=truth)
    if (start > end).any():
        raise ValueError(f"an interval ends before it begins (film {int(np.argmax(start > end))} of those complete)")
    held = (start <= real) & (real <= end)
    share = proportion(held, groups=None if groups is None else person, level=level)
    width = float(np.mean(end - start)) if held.size else np.nan
    return Coverage(share, promised, width, int(np.sum(real < start)), int(np.sum(real > end)))


def _prepared(
    errors: npt.ArrayLike,
    doubt: npt.ArrayLike,
    shares: npt.ArrayLike | None,
    statistic: str,
    beyond: float | None,
    groups: npt.ArrayLike | None,
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.int64], FloatArray, float]:
    """Size of each error, weights (k, n) of the films that stay, persons, shares, power of the mean."""
    if statistic not in STATISTICS:
        raise ValueError(f"statistic must be one of {', '.join(STATISTICS)}, not {statistic}")
    (e, d), person, _ = complete(groups, errors=errors, doubt=doubt)
    at = numbers(np.arange(0.0, 0.925, 0.05) if shares is None else shares, "shares")
    if not ((at >= 0.0) & (at < 1.0)).all():
        raise ValueError("shares must lie between 0 and 1, 1 left out")
    if statistic == "share_beyond":
        if beyond is None or not (np.isfinite(beyond) and beyond >= 0.0):
            raise ValueError("share_beyond needs a bound: beyond, zero or more")
        size, power = (np.abs(e) > beyond + 1e-9 * max(1.0, beyond)).astype(np.float64), 1.0
    else:
        size, power = (np.abs(e), 1.0) if statistic == "mean_absolute" else (e**2, 0.5)
    _, rank, count = np.unique(-d, return_inverse=True, return_counts=True)
    before = np.concatenate([[0], np.cumsum(count)[:-1]]) if count.size else np.zeros(0)
    sent = at[:, None] * e.size
    weights = 1.0 - np.clip((sent - before[rank]) / count[rank], 0.0, 1.0)
    return size, np.where(weights < 1e-12, 0.0, weights), person, at, power


def _first_of_tail(at: FloatArray, good: npt.NDArray[np.bool_]) -> float:
    """Smallest share from which on all are good."""
    if not good.size or not good[-1]:
        return np.nan
    bad = np.flatnonzero(~good)
    return float(at[bad[-1] + 1]) if bad.size else float(at[0])
