"""How many films and readers a study needs, by formula and checked by simulation.

What is planned with (standard deviation, correlation) is a guess from other studies; plan with the worse of what is
plausible. Films are counted as independent: both feet of a person are worth less (``design_effect``).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import nct, norm, t

from raysplay.infer.agreement.statistics.inputs import FloatArray, checked_level
from raysplay.infer.agreement.statistics.intraclass import agreement_interval, consistency_interval
from raysplay.infer.agreement.statistics.mean_squares import MeanSquares

RUNS = 2000
SEED = 2002
MOST_FILMS = 100_000


@dataclass(frozen=True)
class Plan:
    """What a study needs.

    Attributes
    ----------
    films : int
        By the formula.
    readers : int
        Readings of every film that the figure stands on.
    wanted : float
        Width asked for, or power.
    simulated : float
        The same, as simulated studies of that many films have it: their mean width, or the share that succeeds.
    reached : float
        Share of simulated studies whose interval is no wider than wanted, by the formulas about half; ``nan`` of a
        power.
    films_by_simulation : int
        Fewest films whose simulated studies have it; plan with the larger of the two numbers.
    method, assumption, source : str
    """

    films: int
    readers: int
    wanted: float
    simulated: float
    reached: float
    films_by_simulation: int
    method: str
    assumption: str
    source: str


def films_for_limits(
    half_width: float, sd: float, *, level: float = 0.95, share: float = 0.95, runs: int = RUNS, seed: int = SEED
) -> Plan:
    """Films for limits of agreement that are each known to within ``half_width``.

    ``n = 3 (z s / half_width)^2``, since the standard error of a limit is about ``sqrt(3 s^2 / n)`` (for limits that
    hold 95 %; in general the 3 is ``1 + z_share^2 / 2``). Simulated studies take the exact interval.

    Parameters
    ----------
    half_width : float
        Half of the interval's width, in the unit of the measure.
    sd : float
        Expected standard deviation of the differences, in the same unit.
    level : float
        Of the interval.
    share : float
        Of differences between the limits.
    runs, seed : int
        Of the simulation.

    Examples
    --------
    >>> plan = films_for_limits(0.34, 1.0)
    >>> plan.films, plan.films_by_simulation
    (98, 101)
    """
    checked_level(level)
    checked_level(share)
    _positive(half_width=half_width, sd=sd)
    z, wide = float(norm.ppf(0.5 + level / 2.0)), float(norm.ppf(0.5 + share / 2.0))
    films = _whole((1.0 + wide**2 / 2.0) * (z * sd / half_width) ** 2, least=3)
    tails = [0.5 - level / 2.0, 0.5 + level / 2.0]

    def widths(n: int) -> FloatArray:
        found = sd * np.sqrt(np.random.default_rng(seed).chisquare(n - 1, runs) / (n - 1))
        low, high = nct.ppf(tails, n - 1, wide * np.sqrt(n)) / np.sqrt(n)
        half: FloatArray = found * (high - low) / 2.0
        return half

    return _checked(
        films,
        2,
        half_width,
        widths,
        "standard error of a limit, sqrt(3 s^2 / n)",
        "independent films; differences normal with the expected spread",
        "Bland and Altman, Lancet 1986;i:307; rule of Bland (from memory)",
    )


def films_for_limits_within(
    bound: float,
    sd: float,
    *,
    bias: float = 0.0,
    power: float = 0.8,
    level: float = 0.95,
    share: float = 0.95,
    runs: int = RUNS,
    seed: int = SEED,
) -> Plan:
    """Films that show, with the given power, that the limits of agreement lie within ``-bound .. bound``.

    A study shows it if the outer ends of both limits' intervals lie within. With
    ``se = s sqrt(1/n + z^2 / (2 (n - 1)))`` the chance to miss at either side is that of a noncentral t with ``n - 1``
    degrees of freedom and noncentrality ``(bound -+ bias - z s) / se`` below the quantile of t.

    Parameters
    ----------
    bound : float
        Largest difference that does not matter, in the unit of the measure, stated beforehand.
    sd, bias : float
        Expected, in the same unit.
    power : float
        0..1.
    level, share, runs, seed
        As for ``films_for_limits``.

    Raises
    ------
    ValueError
        If the expected limits already lie outside of the bound: no number of films can show what is not so.

    Examples
    --------
    >>> films_for_limits_within(0.004, 0.001129, bias=0.001167).films
    79
    """
    for one in (level, share, power):
        checked_level(one)
    _positive(bound=bound, sd=sd)
    z = float(norm.ppf(0.5 + share / 2.0))
    if abs(bias) + z * sd >= bound:
        raise ValueError(f"the expected limits reach {abs(bias) + z * sd:g}, beyond the bound of {bound:g}")

    def chance(n: int) -> float:
        error = sd * np.sqrt(1.0 / n + z**2 / (2.0 * (n - 1)))
        quantile = t.ppf(0.5 + level / 2.0, n - 1)
        missed = nct.cdf(quantile, n - 1, (np.array([bound - bias, bound + bias]) - z * sd) / error)
        return float(1.0 - missed.sum())

    def succeeded(n: int) -> float:
        rng = np.random.default_rng(seed)
        s = sd * np.sqrt(rng.chisquare(n - 1, runs) / (n - 1))
        mean = bias + sd / np.sqrt(n) * rng.standard_normal(runs)
        outer = z * s + t.ppf(0.5 + level / 2.0, n - 1) * s * np.sqrt(1.0 / n + z**2 / (2.0 * (n - 1)))
        return float(np.mean(np.abs(mean) + outer < bound))

    films = _fewest(lambda n: chance(n) >= power)
    return Plan(
        films,
        2,
        power,
        succeeded(films),
        np.nan,
        _fewest(lambda n: succeeded(n) >= power),
        "power of both limits' intervals to lie within the bound, noncentral t",
        "independent films; differences normal with the expected bias and spread",
        "Lu and others, International Journal of Biostatistics 2016;12(2)",
    )


def films_for_intraclass(
    correlation: float,
    width: float,
    readers: int,
    *,
    reader_share: float = 0.0,
    level: float = 0.95,
    runs: int = RUNS,
    seed: int = SEED,
) -> Plan:
    """Films for an intraclass correlation whose interval is no wider than ``width``.

    ``n = 8 z^2 (1 - r)^2 (1 + (k - 1) r)^2 / (k (k - 1) w^2) + 1``, and ``5 r`` more for two readers and r of 0.7 or
    more.
    The formula knows no difference between readers. Where there is one (``reader_share``), the simulation takes
    ICC(2,1), whose interval does not shrink below what so few readers allow, however many films they read.

    Parameters
    ----------
    correlation : float
        Expected, 0 up to 1.
    width : float
        Of the whole interval, above 0 and below 2.
    readers : int
        Two or more.
    reader_share : float
        Share of the error variance that is constant differences between readers, 0 up to 1.
    level, runs, seed
        As for ``films_for_limits``.

    Returns
    -------
    Plan
        ``films_by_simulation`` is 0 where no number of films suffices.

    Raises
    ------
    ValueError
        If one of them is not as above, or the formula asks for more than ``MOST_FILMS``.

    Examples
    --------
    >>> films_for_intraclass(0.85, 0.2, 4).films
    20
    """
    checked_level(level)
    if not 0.0 <= correlation < 1.0:
        raise ValueError(f"correlation must lie between 0 and 1, not {correlation}")
    if not 0.0 <= reader_share < 1.0:
        raise ValueError(f"reader_share must lie between 0 and 1, not {reader_share}")
    if not 0.0 < width < 2.0:
        raise ValueError(f"width must lie between 0 and 2, not {width}")
    if int(readers) != readers or readers < 2:
        raise ValueError(f"readers must be a whole number, 2 or more, not {readers}")
    k, r = int(readers), correlation
    z2 = float(norm.ppf(0.5 + level / 2.0)) ** 2
    needed = 8.0 * z2 * (1.0 - r) ** 2 * (1.0 + (k - 1) * r) ** 2 / (k * (k - 1) * width**2) + 1.0
    if k == 2 and r >= 0.7:
        needed += 5.0 * r
    films = _whole(needed, least=3)
    of_readers, error = (1.0 - r) * reader_share, (1.0 - r) * (1.0 - reader_share)
    interval = agreement_interval if reader_share > 0.0 else consistency_interval

    def widths(n: int) -> FloatArray:
        rng = np.random.default_rng(seed)
        between = (k * r + error) * rng.chisquare(n - 1, runs) / (n - 1)
        readers_square = (n * of_readers + error) * rng.chisquare(k - 1, runs) / (k - 1)
        residual = error * rng.chisquare((n - 1) * (k - 1), runs) / ((n - 1) * (k - 1))
        within = ((k - 1) * readers_square + (n - 1) * (k - 1) * residual) / (n * (k - 1))
        squares = MeanSquares(between, within, readers_square, residual, np.array(float(n)), k)
        low, high = interval(squares, level)
        return high - low

    return _checked(
        films,
        k,
        width,
        widths,
        "width of the interval of an intraclass correlation",
        "every reader reads every film; effects normal"
        + ("; readers differ by constants, which the formula does not know" if reader_share > 0.0 else ""),
        "Bonett, Statistics in Medicine 2002;21:1331",
    )


def intraclass_plans(
    correlation: float,
    width: float,
    readers: Sequence[int] = (2, 3, 4, 5, 6),
    *,
    reader_share: float = 0.0,
    level: float = 0.95,
) -> tuple[Plan, ...]:
    """The same for several numbers of readers, to weigh films against readers.

    Examples
    --------
    >>> [(plan.readers, plan.films) for plan in intraclass_plans(0.9, 0.1, (2, 3, 4))]
    [(2, 61), (3, 42), (4, 37)]
    """
    return tuple(films_for_intraclass(correlation, width, k, reader_share=reader_share, level=level) for k in readers)


def design_effect(films: float, correlation: float) -> float:
    """By how much more films are needed where each person gives several: ``1 + (m - 1) r``.

    Parameters
    ----------
    films : float
        Mean number m of films a person, 1 or more.
    correlation : float
        Between the differences of one person's films, 0..1.

    Raises
    ------
    ValueError
        If one of them is not.

    Examples
    --------
    >>> design_effect(2, 0.4)
    1.4
    """
    if not films >= 1.0:
        raise ValueError(f"films must be 1 or more a person, not {films}")
    if not 0.0 <= correlation <= 1.0:
        raise ValueError(f"correlation must lie between 0 and 1, not {correlation}")
    return 1.0 + (films - 1.0) * correlation


def _checked(
    films: int,
    readers: int,
    wanted: float,
    widths: Callable[[int], FloatArray],
    method: str,
    assumption: str,
    source: str,
) -> Plan:
    drawn = widths(films)
    enough = _fewest(lambda n: float(np.nanmean(widths(n))) <= wanted)
    # Widths are compared with a hair of slack, so that rounding does not decide.
    reached = float(np.mean(drawn <= wanted * (1.0 + 1e-12)))
    return Plan(films, readers, wanted, float(np.nanmean(drawn)), reached, enough, method, assumption, source)


def _fewest(enough: Callable[[int], bool], least: int = 3) -> int:
    """Fewest films that are enough, by doubling and halving; 0 where ``MOST_FILMS`` are not."""
    if enough(least):
        return least
    low, high = least, 2 * least
    while not enough(high):
        if high >= MOST_FILMS:
            return 0
        low, high = high, min(2 * high, MOST_FILMS)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _whole(films: float, least: int) -> int:
    if films > MOST_FILMS:
        raise ValueError(f"more than {MOST_FILMS} films would be needed; ask for a wider interval")
    return max(least, int(np.ceil(films - 1e-9)))


def _positive(**given: float) -> None:
    for name, value in given.items():
        if not (np.isfinite(value) and value > 0.0):
            raise ValueError(f"{name} must be above zero, not {value}")
