"""Which files of a run an earlier run had, by content first and by name second, and which feet on them are the same."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt

from raysplay.infer.films.remark import RemarkKind
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.overview.fates import FATES, Fate, fates, found

IntArray = npt.NDArray[np.int64]


class Match(Enum):
    """How a file stands to the other run; the value is in words for a person."""

    SAME = "same content, same name"
    RENAMED = "same content, renamed or moved"
    COPIED = "same content under a new name, the old name is a copy now"
    CHANGED = "same name, other content"
    ONE_SIDED = "same name, gave a film in one of the runs only"
    NO_FILM = "same name, gave no film in either run"
    COPY = "copies of another file of their run"
    ALONE = "in this run only"

    @property
    def is_pair(self) -> bool:
        """Whether there is such a file in both runs."""
        return self not in (Match.COPY, Match.ALONE)

    @property
    def same_film(self) -> bool:
        """Whether both runs read the same bytes."""
        return self in (Match.SAME, Match.RENAMED, Match.COPIED)


MATCHES = tuple(Match)


@dataclass(frozen=True)
class MatchedFilms:
    """How the files of two runs stand to each other.

    Attributes
    ----------
    now, before : ndarray of int, shape (files,)
        Index in :data:`MATCHES` of every file of either run.
    partner : ndarray of int, shape (files of this run,)
        File of the earlier run; -1 where there is none.
    vanished : int
        Files of this run that were no longer there when it was last brought up to date; their rows stay.
    """

    now: IntArray
    before: IntArray
    partner: IntArray
    vanished: int

    def counts(self, which: IntArray) -> dict[Match, int]:
        """Files of one run by match; they add up to its files."""
        counted = np.bincount(which, minlength=len(MATCHES))
        return {match: int(count) for match, count in zip(MATCHES, counted, strict=True)}

    @property
    def gone(self) -> int:
        """Files that only the earlier run had."""
        return int((self.before == MATCHES.index(Match.ALONE)).sum())


@dataclass(frozen=True)
class PairedFeet:
    """Feet on films that both runs read.

    Attributes
    ----------
    now, before : ndarray of int, shape (P,)
        Rows of ``feet.csv`` of both runs that are the same foot: same film, same side, same place among its feet of
        that side.
    other_side : ndarray of int, shape (S, 2)
        Rows of the only foot of a film, called left by one run and right by the other.
    only_now, only_before : int
        Feet of these films that the other run did not find, or found in another number.
    """

    now: IntArray
    before: IntArray
    other_side: IntArray
    only_now: int
    only_before: int


def matched_films(now: FinishedRun, before: FinishedRun) -> MatchedFilms:
    """Match every file of ``now`` with at most one of ``before``."""
    names, earlier_names = now.film_names(), before.film_names()
    digests, earlier_digests = now.digests(), before.digests()
    copies, earlier_copies = _copies(now), _copies(before)
    place = {name: i for i, name in enumerate(names)}
    earlier_place = {name: i for i, name in enumerate(earlier_names)}
    partner = np.full(len(names), -1, dtype=np.int64)
    matches = np.full(len(names), MATCHES.index(Match.ALONE), dtype=np.int64)
    others = np.full(len(earlier_names), MATCHES.index(Match.ALONE), dtype=np.int64)

    def pair(i: int, j: int, match: Match) -> None:
        partner[i] = j
        matches[i] = others[j] = MATCHES.index(match)

    by_content: defaultdict[str, list[int]] = defaultdict(list)
    for j, digest in enumerate(earlier_digests):
        if digest:
            by_content[digest].append(j)
    renamed: list[int] = []
    for i, digest in enumerate(digests):
        if not digest or digest not in by_content:
            continue
        j = earlier_place.get(names[i], -1)
        if j >= 0 and earlier_digests[j] == digest:
            pair(i, j, Match.SAME)
        else:
            renamed.append(i)
    for i in renamed:
        free = [j for j in by_content[digests[i]] if MATCHES[others[j]] is Match.ALONE]
        if free:
            old = place.get(earlier_names[free[0]], -1)
            pair(i, free[0], Match.COPIED if old >= 0 and copies[old] else Match.RENAMED)
    for i in np.flatnonzero(partner < 0).tolist():
        j = earlier_place.get(names[i], -1)
        if j < 0 or MATCHES[others[j]] is not Match.ALONE or copies[i] or earlier_copies[j]:
            continue
        here, there = bool(digests[i]), bool(earlier_digests[j])
        pair(i, j, Match.CHANGED if here and there else Match.ONE_SIDED if here or there else Match.NO_FILM)
    matches[copies & (partner < 0)] = MATCHES.index(Match.COPY)
    others[earlier_copies & (others == MATCHES.index(Match.ALONE))] = MATCHES.index(Match.COPY)
    gone = RemarkKind.GONE.value
    vanished = sum(gone in kinds.split("; ") for kinds in now.stated("remark_kinds"))
    return MatchedFilms(matches, others, partner, vanished)


def paired_feet(now: FinishedRun, before: FinishedRun, films: MatchedFilms) -> PairedFeet:
    """Feet of films with the same bytes that are the same foot in both runs."""
    same = np.asarray([MATCHES[code].same_film for code in films.now], dtype=np.bool_)
    feet, earlier = _feet_of(now), _feet_of(before)
    pairs: list[tuple[int, int]] = []
    turned: list[tuple[int, int]] = []
    only_now = only_before = 0
    for film in np.flatnonzero(same):
        mine, theirs = feet.get(int(film), []), earlier.get(int(films.partner[film]), [])
        if len(mine) == len(theirs) == 1 and mine[0][0] != theirs[0][0]:
            turned.append((mine[0][1], theirs[0][1]))
            continue
        sides, their_sides = Counter(side for side, _ in mine), Counter(side for side, _ in theirs)
        agreed = {side for side in sides if sides[side] == their_sides[side]}
        for side in agreed:
            rows = [row for one, row in mine if one == side]
            pairs += zip(rows, [row for one, row in theirs if one == side], strict=True)
        only_now += sum(side not in agreed for side, _ in mine)
        only_before += sum(side not in agreed for side, _ in theirs)
    pairs.sort()
    both = _rows(pairs)
    return PairedFeet(both[:, 0], both[:, 1], _rows(turned), only_now, only_before)


def _copies(run: FinishedRun) -> npt.NDArray[np.bool_]:
    copies: npt.NDArray[np.bool_] = fates(run) == FATES.index(Fate.DUPLICATE)
    return copies


def _feet_of(run: FinishedRun) -> dict[int, list[tuple[str, int]]]:
    """Side and row of the feet of every film that has any."""
    feet: dict[int, list[tuple[str, int]]] = {}
    sides = run.sides.to_pylist()
    for row in np.flatnonzero(found(run)):
        feet.setdefault(int(run.film_of[row]), []).append((sides[row], int(row)))
    return feet


def _rows(pairs: Sequence[tuple[int, int]]) -> IntArray:
    return np.asarray(pairs, dtype=np.int64).reshape(-1, 2)
