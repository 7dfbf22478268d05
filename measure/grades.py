"""Grades by published schemes: half-open rules on unrounded values, borders, ends, conflicts.

The schemes are data (``configs/grades.yaml``); no standard could be defined in a review of 46 studies (Spindler,
Ettinger, Baumbach et al., Arch Orthop Trauma Surg 2024), so a grade always goes with its scheme. A value outside of
what a scheme was made for has no grade: it is not the mildest one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.measure.evidence import Cited, Evidence
from raysplay.measure.geometry import FloatArray

IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

UNGRADED = -1
"""Index of a grade that cannot be given."""

VARUS = "varus"
"""Grade of a great toe that leans the other way; it has no place in an order of severity with the other grades."""

BOTH, IMA, HVA, MAXIMUM = "both", "ima", "hva", "max"
"""Rules for one grade from two: none, that of the intermetatarsal angle, of the hallux valgus angle, the worse."""


@dataclass(frozen=True)
class Scale:
    """Grades of one measure, in rising order of its value.

    Attributes
    ----------
    measure : str
        Name of the measure.
    grades : tuple of str
        Words, lowest first.
    borders : tuple of float
        Border between each grade and the next, strictly rising, in the measure's unit.
    from_border : tuple of bool
        True where the border itself belongs to the higher grade ("from 20"), False where it belongs to the lower
        one ("above 20").
    lowest, highest : float or None
        Ends of what the scheme was made for, both graded themselves; beyond them there is no grade. None where it
        has no end on that side.
    possible : tuple of float or None
        Least and greatest value that the measure can have at all. Beyond them something is wrong with the value, and
        there is no grade; they are no borders, since no grade lies on their other side.

    Raises
    ------
    ValueError
        If lengths do not fit, or borders and ends do not rise.
    """

    measure: str
    grades: tuple[str, ...]
    borders: tuple[float, ...]
    from_border: tuple[bool, ...]
    lowest: float | None = None
    highest: float | None = None
    possible: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if not len(self.grades) - 1 == len(self.borders) == len(self.from_border):
            raise ValueError(f"{self.measure}: one border fewer than grades is needed")
        if not self.borders or any(b >= a for b, a in zip(self.edges, self.edges[1:], strict=False)):
            raise ValueError(f"{self.measure}: borders must rise")

    @property
    def edges(self) -> tuple[float, ...]:
        """Every value at which the word changes or ends, rising: borders, and ends where there are any."""
        return tuple(edge for edge in (self.lowest, *self.borders, self.highest) if edge is not None)

    @property
    def reach(self) -> tuple[float, float]:
        """Least and greatest value that has a grade; infinite where there is no end."""
        least, greatest = self.possible or (-np.inf, np.inf)
        return (
            least if self.lowest is None else max(least, self.lowest),
            greatest if self.highest is None else min(greatest, self.highest),
        )


@dataclass(frozen=True)
class Scheme(Cited):
    """A published set of scales.

    Attributes
    ----------
    name, title : str
    scales : tuple of Scale
    source : str
    evidence : Evidence
        Of the borders; those from memory are never to be printed as certain.
    """

    name: str
    title: str
    scales: tuple[Scale, ...]
    source: str
    evidence: Evidence

    def scale(self, measure: str) -> Scale | None:
        """The scale of a measure, or None if the scheme has none."""
        return next((scale for scale in self.scales if scale.measure == measure), None)


@dataclass(frozen=True)
class Graded:
    """Grades of N feet on one scale.

    Attributes
    ----------
    scale : Scale
    index : ndarray of int, shape (N,)
        Position in ``scale.grades``; :data:`UNGRADED` where the value is withheld or outside.
    outside : ndarray of bool, shape (N,)
        True where there is a value, but beyond what the scale reaches.
    nearest : ndarray, shape (N,)
        The border or end nearest to the value.
    distance : ndarray, shape (N,)
        Distance of the value to it, in the measure's unit.
    borderline : ndarray of bool, shape (N,)
        True where that is less than the measurement error.
    """

    scale: Scale
    index: IntArray
    outside: BoolArray
    nearest: FloatArray
    distance: FloatArray
    borderline: BoolArray

    def words(self) -> list[str]:
        """Grade of every foot; empty where ungraded."""
        return [self.scale.grades[i] if i != UNGRADED else "" for i in self.index]


@dataclass(frozen=True)
class CombinedGrade:
    """Hallux valgus and intermetatarsal grade of N feet, apart and together.

    Attributes
    ----------
    hva, ima : Graded
    rule : str
    words : list of str
        The combined grade; empty where the rule gives none, a grade is missing, or one of two that are weighed
        against each other is :data:`VARUS`.
    conflict : ndarray of bool, shape (N,)
        True where the two grades differ.
    """

    hva: Graded
    ima: Graded
    rule: str
    words: list[str]
    conflict: BoolArray


def grade(values: npt.ArrayLike, scale: Scale, error: npt.ArrayLike = 0.0) -> Graded:
    """Grade unrounded values.

    Parameters
    ----------
    values : array_like, shape (N,)
        In the unit of the scale's measure; ``nan``, and what lies beyond the scale's ends, stays ungraded.
    scale : Scale
    error : array_like, scalar or shape (N,)
        Standard deviation of the measurement error, in the same unit: the larger of the published reader error and
        the tool's own. A value nearer to a border than that is borderline.

    Returns
    -------
    Graded
        One grade a value, and how far each is from a border.

    Examples
    --------
    >>> table = Scale("ima", ("normal", "mild", "moderate", "severe"), (9.0, 12.0, 18.0), (True,) * 3, lowest=0.0)
    >>> grade([9.0, 11.5, 18.0, -12.0], table).words()
    ['mild', 'mild', 'severe', '']
    >>> grade([11.0, 15.0, -1.0], table, error=1.84).borderline.tolist()
    [True, False, True]
    """
    given = np.atleast_1d(np.asarray(values, dtype=np.float64))
    borders = np.asarray(scale.borders)
    beyond = np.where(scale.from_border, given[:, None] >= borders, given[:, None] > borders)
    index = beyond.sum(axis=1)
    known = np.isfinite(given)
    least, greatest = scale.reach
    outside = known & ((given < least) | (given > greatest))
    edges = np.asarray(scale.edges)
    distances = np.where(known[:, None], np.abs(given[:, None] - edges), np.inf)
    which = distances.argmin(axis=1)
    distance = distances[np.arange(len(given)), which]
    return Graded(
        scale,
        np.where(known & ~outside, index, UNGRADED),
        outside,
        np.where(known, edges[which], np.nan),
        np.where(known, distance, np.nan),
        known & (distance < np.broadcast_to(np.asarray(error, dtype=np.float64), given.shape)),
    )


def combine(hva: Graded, ima: Graded, rule: str) -> CombinedGrade:
    """One grade from two, under a stated rule; a difference between them is flagged whatever the rule.

    Grades are compared by their words: the two scales of a scheme may leave out different grades. Varus is not
    weighed against a grade of the intermetatarsal angle: such a foot has no combined word, and conflicts.

    Raises
    ------
    ValueError
        If the rule is not known, or the words of the two scales cannot be put in one order.

    Examples
    --------
    >>> words = ("normal", "mild", "moderate", "severe")
    >>> hva = grade([32.0], Scale("hva", words, (15.0, 20.0, 40.0), (True, True, False)))
    >>> ima = grade([17.0], Scale("ima", words, (9.0, 11.0, 16.0), (True, False, False)))
    >>> together = combine(hva, ima, "max")
    >>> together.words, together.conflict.tolist()
    (['severe'], [True])
    """
    if rule not in (BOTH, IMA, HVA, MAXIMUM):
        raise ValueError(f"no rule {rule!r}; there are both, ima, hva, max")
    rank = _order(hva.scale.grades, ima.scale.grades)
    first, second = hva.words(), ima.words()
    both = [bool(a) and bool(b) for a, b in zip(first, second, strict=True)]
    conflict = np.array([known and a != b for known, a, b in zip(both, first, second, strict=True)], dtype=np.bool_)
    apart = [VARUS in pair for pair in zip(first, second, strict=True)]
    if rule == BOTH:
        words = [""] * len(first)
    elif rule == IMA:
        words = ["" if off else b for off, b in zip(apart, second, strict=True)]
    elif rule == HVA:
        words = first
    else:
        words = [
            max(a, b, key=rank.__getitem__) if known and not off else ""
            for known, off, a, b in zip(both, apart, first, second, strict=True)
        ]
    return CombinedGrade(hva, ima, rule, words, conflict)


def disagreement(graded: Mapping[str, Graded]) -> BoolArray:
    """Whether the schemes give a foot different grades; feet that fewer than two of them grade do not disagree.

    Parameters
    ----------
    graded : mapping of scheme name to Graded
        The same feet and measure by each scheme.

    Examples
    --------
    >>> words = ("normal", "mild", "moderate", "severe")
    >>> narrow = grade([27.0, 50.0], Scale("hva", words, (15.0, 20.0, 40.0), (True, True, False)))
    >>> wide = grade([27.0, 50.0], Scale("hva", words, (15.0, 30.0, 40.0), (True, True, False)))
    >>> disagreement({"narrow": narrow, "wide": wide}).tolist()
    [True, False]
    """
    by_foot = zip(*(one.words() for one in graded.values()), strict=True)
    return np.array([len({word for word in foot if word}) > 1 for foot in by_foot], dtype=np.bool_)


def _order(first: Sequence[str], second: Sequence[str]) -> dict[str, int]:
    """One order that keeps both; earlier words are milder."""
    order = list(first)
    for position, word in enumerate(second):
        if word not in order:
            before = [order.index(w) for w in second[:position] if w in order]
            order.insert(max(before, default=-1) + 1, word)
    for words in (first, second):
        places = [order.index(word) for word in words]
        if places != sorted(places):
            raise ValueError("the grades of the two scales stand in different orders")
    return {word: i for i, word in enumerate(order)}
