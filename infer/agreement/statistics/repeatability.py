"""Error of one reading in the unit of the measure: within-subject SD, standard error of measurement, detectable change.

Reads of the *same film* again tell what reading costs. Only *new films* of the same foot, without a change of the foot
between them, also tell what standing and beam cost; a change over time must be larger than both.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2, norm

from raysplay.infer.agreement.statistics.cluster_bootstrap import (
    FEWEST,
    person_sums,
    ratio_interval,
    sums_interval,
)
from raysplay.infer.agreement.statistics.estimate import Basis, Estimate
from raysplay.infer.agreement.statistics.inputs import FloatArray, checked_level, clusters, numbers
from raysplay.infer.agreement.statistics.mean_squares import mean_squares, table_sums

Kind = Literal["agreement", "consistency"]

WITHIN = Basis(
    "pooled variance within films, interval by chi-squared",
    "independent films; errors near normal with the same spread on every film",
    "Bland and Altman, British Medical Journal 1996;313:744 (from memory)",
)
WITHIN_CLUSTERED = Basis(
    "pooled variance within films, studentised bootstrap over persons",
    "independent persons; the same spread on every film",
    "Bland and Altman, British Medical Journal 1996;313:744 (from memory)",
)
AGREEMENT = Basis(
    "sqrt(variance of readers + residual), modified large-sample interval",
    "films and readers drawn at random; every reader reads every film; effects near normal",
    "de Vet and others, Journal of Clinical Epidemiology 2006;59:1033; interval of Graybill and Wang, Journal of the "
    "American Statistical Association 1980;75:869 (both from memory)",
)
CONSISTENCY = Basis(
    "square root of the residual mean square, interval by chi-squared",
    "every reader reads every film; a constant difference between readers is not counted as error",
    "de Vet and others, Journal of Clinical Epidemiology 2006;59:1033 (from memory)",
)
TWO_STAGES = Basis(
    "variance between new films of a foot and within films, interval by recovery of variance estimates",
    "independent feet that did not change between their films; parts near normal",
    "as for repeated measures: Zou, Statistical Methods in Medical Research 2013;22:630",
)

TWO_STAGES_CLUSTERED = Basis(
    "variance between new films of a foot and within films, studentised bootstrap over persons",
    "independent persons whose feet did not change between their films",
    TWO_STAGES.source,
)
ANY_NEW_FILM = Basis(
    "sqrt(variance of new films + readers + residual), modified large-sample interval",
    "independent feet that did not change between their films; films and readers drawn at random; effects near normal",
    "expected mean squares of a nested table (derived here); interval of Graybill and Wang, Journal of the American "
    "Statistical Association 1980;75:869 (from memory)",
)
ANY_NEW_FILM_CLUSTERED = Basis(
    "sqrt(variance of new films + readers + residual), studentised bootstrap over persons, readers kept",
    "independent persons whose feet did not change between their films",
    "expected mean squares of a nested table (derived here)",
)


def within_subject_sd(readings: npt.ArrayLike, groups: npt.ArrayLike | None = None, level: float = 0.95) -> Estimate:
    """Standard deviation of reads of the same thing, ``sqrt(sum((x - film mean)^2) / sum(m - 1))``.

    Parameters
    ----------
    readings : array_like, shape (films, reads)
        Reads of one film by one reader (repeatability), or by several as they come; ``nan`` for a missing read, films
        may have unequal numbers. Films with one read tell nothing and are left out.
    groups : array_like of int, shape (films,), optional
        Person of each film.
    level : float

    Returns
    -------
    Estimate
        In the unit of the reads; ``n`` counts films read twice or more. The limit within which the absolute
        difference of two reads lies in 95 % of cases is 2.77 times this.

    Examples
    --------
    >>> found = within_subject_sd([[1.0, 2.0], [4.0, 4.0], [7.0, 5.0], [2.0, np.nan]])
    >>> round(found.value, 3), found.n
    (0.913, 3)
    """
    checked_level(level)
    given = numbers(readings, "readings", 2)
    person = clusters(groups, len(given))
    count = np.isfinite(given).sum(axis=1)
    reads, person, count = given[count >= 2], person[count >= 2], count[count >= 2]
    person = np.unique(person, return_inverse=True)[1].reshape(-1)
    n = len(reads)
    repeated = n > 0 and int(person.max()) + 1 < n
    basis = WITHIN_CLUSTERED if repeated else WITHIN
    if n == 0:
        return basis.unknown("no film was read twice", 0, level)
    squares = np.nansum((reads - np.nanmean(reads, axis=1, keepdims=True)) ** 2, axis=1)
    degrees = int(np.sum(count - 1))
    variance = float(squares.sum()) / degrees
    if variance == 0.0:
        return basis.estimate(0.0, np.nan, np.nan, n, level, "all repeated reads are equal: a copy, or no error at all")
    if repeated:
        low, high = ratio_interval(squares, count - 1.0, person, level, logarithm=True, squares=True)
        persons = int(person.max()) + 1
        why = f"{persons} persons; a bootstrap needs {FEWEST}" if persons < FEWEST else ""
        return basis.estimate(np.sqrt(variance), np.sqrt(low), np.sqrt(high), n, level, why)
    low, high = _chi_squared(variance, degrees, level)
    return basis.estimate(np.sqrt(variance), np.sqrt(low), np.sqrt(high), n, level)


def standard_error_of_measurement(
    table: npt.ArrayLike, kind: Kind = "agreement", groups: npt.ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """Error of one reading by any reader, from a table of films by readers.

    ``agreement``: ``sqrt(JMS / n + EMS (n - 1) / n)``, readers' differences included; ``consistency``: ``sqrt(EMS)``.
    The first is to be used where numbers meet thresholds. Equal to ``SD sqrt(1 - ICC)`` with the matching correlation.

    Parameters
    ----------
    table : array_like, shape (films, readers)
        ``nan`` for a missing read; films that not all readers read are left out.
    kind : {'agreement', 'consistency'}
    groups : array_like of int, shape (films,), optional
    level : float

    Returns
    -------
    Estimate
        In the unit of the reads. With few readers the interval of ``agreement`` is wide, and rightly: two readers tell
        little of readers in general.

    Raises
    ------
    ValueError
        If there is no such kind, the table is not one of numbers, groups have another length, or the level does not
        lie between 0 and 1.

    Examples
    --------
    >>> found = standard_error_of_measurement([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6]])
    >>> round(found.value, 2)
    2.6
    """
    checked_level(level)
    if kind not in ("agreement", "consistency"):
        raise ValueError(f"kind must be agreement or consistency, not {kind}")
    given = numbers(table, "table", 2)
    whole = np.isfinite(given).all(axis=1)
    person = np.unique(clusters(groups, len(given))[whole], return_inverse=True)[1].reshape(-1)
    reads = given[whole]
    n, k = reads.shape
    basis = AGREEMENT if kind == "agreement" else CONSISTENCY
    if k < 2 or n < 2:
        return basis.unknown(f"{n} film(s) read by all of {k} reader(s); two of each are needed", n, level)
    sums = table_sums(reads)
    squares = mean_squares(sums.sum(axis=0))
    readers, error = float(squares.readers), float(squares.error)
    parts = [(error, (n - 1) * (k - 1), 1.0)]
    if kind == "agreement":
        parts = [(readers, k - 1, 1.0 / n), (error, (n - 1) * (k - 1), (n - 1.0) / n)]
    variance = sum(weight * square for square, _, weight in parts)
    if variance <= 1e-24 * max(float(np.mean(reads**2)), 1e-300):
        return basis.estimate(0.0, np.nan, np.nan, n, level, "all readers read the same: copies, or no error at all")
    if int(person.max()) + 1 < n:
        clustered = Basis(
            "studentised bootstrap over persons, readers kept", basis.assumption + "; independent persons", basis.source
        )

        def square(total: FloatArray) -> FloatArray:
            found = mean_squares(total)
            share = found.readers / found.films + found.error * (found.films - 1) / found.films
            return (share if kind == "agreement" else found.error)[..., None]

        ends = sums_interval(sums, square, person, level, forward=np.log, inverse=np.exp)
        low, high = (float(np.sqrt(end[0])) for end in ends)
        persons = int(person.max()) + 1
        why = f"{persons} persons; a bootstrap needs {FEWEST}" if persons < FEWEST else ""
        return clustered.estimate(np.sqrt(variance), low, high, n, level, why)
    low, high = _sum_of_squares(parts, level)
    return basis.estimate(np.sqrt(variance), np.sqrt(low), np.sqrt(high), n, level)


@dataclass(frozen=True)
class RepeatFilms:
    """What new films of the same foot add to the error of reading.

    Attributes
    ----------
    reading : Estimate
        SD of reads of the same film.
    film : float
        SD that the new film alone adds (standing, beam); 0 where none shows.
    total : Estimate
        SD of single reads of new films of a foot that did not change.
    """

    reading: Estimate
    film: float
    total: Estimate


def repeat_films(readings: npt.ArrayLike, groups: npt.ArrayLike | None = None, level: float = 0.95) -> RepeatFilms:
    """Parts of the error from a repeat-film study.

    Design: each foot stands again for a second film (or more) within a time in which no foot changes, the foot taken
    off the stand between; every film is read, best twice, in an order that hides which belong together.

    Parameters
    ----------
    readings : array_like, shape (feet, films, reads)
        ``nan`` for what is missing; feet may have unequal numbers.
    groups : array_like of int, shape (feet,), optional
        Person of each foot: the interval is then one by bootstrap over persons.
    level : float

    Returns
    -------
    RepeatFilms
        In the unit of the reads. ``total^2 = s_f^2 + (1 - 1/h) s_e^2`` with s_f^2 the variance of a foot's film
        means, s_e^2 that within films, h the harmonic mean of the numbers of reads; with one read a film the parts
        cannot be told apart and ``reading`` is ``nan``.

    Examples
    --------
    >>> found = repeat_films([[[1.0, 2.0], [3.0, 3.0]], [[5.0, 6.0], [5.0, 4.0]]])
    >>> round(found.reading.value, 3), round(found.total.value, 3)
    (0.612, 1.0)
    """
    checked_level(level)
    given = numbers(readings, "readings", 3)
    person = clusters(groups, len(given))
    count = np.isfinite(given).sum(axis=2)
    used = (count >= 1) & ((count >= 1).sum(axis=1) >= 2)[:, None]
    some = used.any(axis=1)
    feet = int(some.sum())
    of_read = np.repeat(person[:, None], given.shape[1], axis=1)[used]
    reading = within_subject_sd(given[used], None if groups is None else of_read, level)
    if feet == 0:
        none = TWO_STAGES.unknown("no foot has two films", 0, level)
        return RepeatFilms(reading, np.nan, none)
    sums = _nested_sums(given[some], used[some], count[some])
    variance = float(_nested_variance(sums.sum(axis=0)))
    between, degrees, within, reading_degrees, hidden, films = sums.sum(axis=0)
    error = within / reading_degrees if reading_degrees else 0.0
    if variance <= 1e-24 * max(float(np.nanmean(given[some] ** 2)), 1e-300):
        none = TWO_STAGES.estimate(0.0, np.nan, np.nan, feet, level, "all reads of a foot are equal")
        return RepeatFilms(reading, 0.0, none)
    film = float(np.sqrt(max(0.0, variance - error))) if reading_degrees else np.nan
    who = np.unique(person[some], return_inverse=True)[1].reshape(-1)
    persons = int(who.max()) + 1
    if persons < feet:
        ends = sums_interval(sums, _nested_variance_row, who, level, forward=np.log, inverse=np.exp)
        low, high = (float(end[0]) for end in ends)
        why = f"{persons} persons; a bootstrap needs {FEWEST}" if persons < FEWEST else ""
        total = TWO_STAGES_CLUSTERED.estimate(np.sqrt(variance), np.sqrt(low), np.sqrt(high), feet, level, why)
        return RepeatFilms(reading, film, total)
    parts = [(between / degrees, int(degrees), 1.0)]
    if reading_degrees:
        parts.append((error, int(reading_degrees), 1.0 - hidden / films))
    low, high = _sum_of_squares(parts, level)
    return RepeatFilms(reading, film, TWO_STAGES.estimate(np.sqrt(variance), np.sqrt(low), np.sqrt(high), feet, level))


def _nested_sums(given: FloatArray, used: npt.NDArray[np.bool_], count: npt.NDArray[np.int64]) -> FloatArray:
    """What each foot adds, (feet, 6): squares and degrees between its films, those within, sum of 1/count, films."""
    reads = np.where(np.isfinite(given) & used[:, :, None], given, np.nan)
    films = np.where(used, np.nansum(np.nan_to_num(reads), axis=2) / np.maximum(count, 1), np.nan)
    off = films - np.nanmean(films, axis=1, keepdims=True)
    within = np.nansum((reads - films[:, :, None]) ** 2, axis=(1, 2))
    number = used.sum(axis=1)
    return np.stack(
        [
            np.nansum(off**2, axis=1),
            number - 1.0,
            within,
            np.where(used, count - 1, 0).sum(axis=1),
            np.where(used, 1.0 / np.maximum(count, 1), 0.0).sum(axis=1),
            number,
        ],
        axis=1,
    ).astype(np.float64)


def _nested_variance(sums: FloatArray) -> FloatArray:
    """Variance of a single read of a new film, from sums (..., 6)."""
    between, degrees, within, reading_degrees, hidden, films = np.moveaxis(sums, -1, 0)
    error = np.where(reading_degrees > 0, within / np.where(reading_degrees > 0, reading_degrees, 1.0), 0.0)
    found: FloatArray = between / degrees + (1.0 - hidden / films) * error
    return found


def _nested_variance_row(sums: FloatArray) -> FloatArray:
    return _nested_variance(sums)[..., None]


def new_films_any_reader(table: npt.ArrayLike, groups: npt.ArrayLike | None = None, level: float = 0.95) -> Estimate:
    """Standard error of measurement of a single read, by any reader, of a new film of the same foot.

    With FMS the mean square between the films of a foot (k times that of the readers' means), JMS of readers, EMS the
    residual of the table of all n films by k readers: ``FMS / k + JMS / n + EMS ((n - 1) / n - 1 / k)``; the film's
    part is ``(FMS - EMS) / k``, all else as in ``standard_error_of_measurement``.

    Parameters
    ----------
    table : array_like, shape (feet, films, readers)
        ``nan`` for a missing read; films that not all readers read are left out, then feet with fewer than two films.
    groups : array_like of int, shape (feet,), optional
    level : float

    Returns
    -------
    Estimate
        In the unit of the reads; ``n`` counts feet.

    Examples
    --------
    >>> found = new_films_any_reader([[[1.0, 2.0], [3.0, 3.0]], [[5.0, 6.0], [5.0, 4.0]]])
    >>> round(found.value, 3), found.n
    (0.979, 2)
    """
    checked_level(level)
    given = numbers(table, "table", 3)
    person = clusters(groups, len(given))
    used = np.isfinite(given).all(axis=2)
    used &= (used.sum(axis=1) >= 2)[:, None]
    some = used.any(axis=1)
    feet, films, k = int(some.sum()), int(used.sum()), given.shape[2]
    if feet == 0 or k < 2:
        return ANY_NEW_FILM.unknown("no foot has two films that two readers or more all read", feet, level)
    foot, _ = np.nonzero(used)
    reads = given[used]
    means = reads.mean(axis=1)
    number = np.bincount(foot, minlength=len(given)).astype(np.float64)
    middle = np.bincount(foot, weights=means, minlength=len(given)) / np.maximum(number, 1.0)
    between = np.bincount(foot, weights=(means - middle[foot]) ** 2, minlength=len(given))
    of_table = person_sums(table_sums(reads), np.unique(foot, return_inverse=True)[1].reshape(-1))
    sums = np.column_stack([of_table, k * between[some], number[some] - 1.0])

    def squares(total: FloatArray) -> FloatArray:
        found = mean_squares(total[..., :-2])
        n = found.films
        film = total[..., -2] / total[..., -1]
        square: FloatArray = film / k + found.readers / n + found.error * ((n - 1) / n - 1.0 / k)
        return square[..., None]

    variance = float(squares(sums.sum(axis=0))[0])
    if variance <= 1e-24 * max(float(np.mean(reads**2)), 1e-300):
        return ANY_NEW_FILM.estimate(0.0, np.nan, np.nan, feet, level, "all reads of a foot are equal")
    who = np.unique(person[some], return_inverse=True)[1].reshape(-1)
    persons = int(who.max()) + 1
    if persons < feet:
        ends = sums_interval(sums, squares, who, level, forward=np.log, inverse=np.exp)
        low, high = (float(np.sqrt(end[0])) for end in ends)
        why = f"{persons} persons; a bootstrap needs {FEWEST}" if persons < FEWEST else ""
        return ANY_NEW_FILM_CLUSTERED.estimate(np.sqrt(variance), low, high, feet, level, why)
    total = sums.sum(axis=0)
    found = mean_squares(total[:-2])
    parts = [
        (float(total[-2] / total[-1]), int(total[-1]), 1.0 / k),
        (float(found.readers), k - 1, 1.0 / films),
        (float(found.error), (films - 1) * (k - 1), (films - 1) / films - 1.0 / k),
    ]
    low, high = _sum_of_squares(parts, level)
    return ANY_NEW_FILM.estimate(np.sqrt(variance), np.sqrt(low), np.sqrt(high), feet, level)


def minimal_detectable_change(error: Estimate, detection: float = 0.95) -> Estimate:
    """``z sqrt(2) SEM``: the difference of two reads that error alone exceeds in 5 % of pairs.

    Parameters
    ----------
    error : Estimate
        Of one read: ``within_subject_sd`` or ``standard_error_of_measurement`` for the same film read again,
        ``repeat_films(...).total`` for a change between two films. The first two must not be used for two films:
        they do not know what standing and beam cost.
    detection : float
        Share of pairs without a change that stay below.

    Returns
    -------
    Estimate
        In the unit of the reads; the interval is that of the error, scaled.

    Examples
    --------
    >>> error = Estimate(2.751, 2.0, 4.0, 30, 0.95, "", "", "")
    >>> round(minimal_detectable_change(error).value, 2)
    7.63
    """
    checked_level(detection)
    return error.scaled(float(norm.ppf(0.5 + detection / 2.0) * np.sqrt(2.0)))


def _chi_squared(square: float, degrees: int, level: float) -> tuple[float, float]:
    low, high = square * degrees / chi2.ppf([0.5 + level / 2.0, 0.5 - level / 2.0], degrees)
    return float(low), float(high)


def _sum_of_squares(parts: list[tuple[float, int, float]], level: float) -> tuple[float, float]:
    """Interval of a sum of (mean square, degrees, weight), each weight positive: modified large-sample limits."""
    variance = sum(weight * square for square, _, weight in parts)
    down = up = 0.0
    for square, degrees, weight in parts:
        low, high = _chi_squared(square, degrees, level)
        down, up = down + (weight * (square - low)) ** 2, up + (weight * (high - square)) ** 2
    return max(0.0, variance - float(np.sqrt(down))), variance + float(np.sqrt(up))
