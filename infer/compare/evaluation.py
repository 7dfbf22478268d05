"""All figures of one run against its truth."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from raysplay.configs.views import VIEWS
from raysplay.infer.compare.errors import ErrorFigures, Readings, error_figures
from raysplay.infer.compare.match import match_feet
from raysplay.infer.compare.run_tables import MeasuredArchive, MeasuredFoot
from raysplay.infer.compare.settings import EvaluationSettings
from raysplay.infer.compare.true_foot import TrueFoot
from raysplay.infer.records import OUTCOMES

NOT_FOUND = "not found"
FILM_NOT_READ = "film not read"
_DECISIONS = (*OUTCOMES, NOT_FOUND, FILM_NOT_READ)

COMPARED = "compared"
_FATES = (COMPARED, "withheld", "refused", NOT_FOUND, FILM_NOT_READ, "not dorsoplantar")
"""What can become of a true value."""


@dataclass(frozen=True)
class Pair:
    """A true foot with what the run made of it; ``measured`` is ``None`` where nothing answers to it.

    ``film_read`` is False where the file gave no film: nothing could be found then.
    """

    true: TrueFoot
    measured: MeasuredFoot | None
    film_read: bool

    @property
    def decision(self) -> str:
        """Of the run; ``not found`` or ``film not read`` where nothing answers to the true foot."""
        if self.measured is not None:
            return self.measured.decision
        return NOT_FOUND if self.film_read else FILM_NOT_READ

    @property
    def found(self) -> bool:
        """Found and measured: a foot refused as no dorsoplantar foot is not found."""
        return self.measured is not None and self.measured.decision != "refused"

    def fate(self, measure: str) -> str:
        """What became of the true value of a measure."""
        if self.true.view != "dp" or not self.true.side:
            return "not dorsoplantar"
        if self.measured is None or not self.found:
            return self.decision
        return COMPARED if measure in self.measured.values else "withheld"


@dataclass(frozen=True)
class GroupFigures:
    """Errors of every measure over one group of dorsoplantar feet."""

    group: str
    measures: Mapping[str, ErrorFigures]


@dataclass(frozen=True)
class Evaluation:
    """Result of an evaluation.

    ``feet`` counts dorsoplantar feet of the truth, ``found`` those found and not refused, ``sides_right``
    those of ``found`` whose side is right. ``decisions`` counts, by true view, what became of each foot.
    ``extra_feet`` counts found feet that the truth does not name, ``extra_accepted`` those of them that were accepted.
    ``false_accepts`` counts accepted readings of feet that are not dorsoplantar, of films without a foot and of feet
    that the truth does not name.
    ``sound`` counts dorsoplantar feet of which the truth knows nothing that makes them unfit, ``sound_reviewed``
    those of them that were sent to a person.
    ``values`` counts, by measure that the run reports, what became of the true values.
    ``landmark_errors`` holds, by code, the number of points and their mean and median distance in pixels.
    """

    films: int
    feet: int
    found: int
    sides_right: int
    extra_feet: int
    extra_accepted: int
    false_accepts: int
    sound: int
    sound_reviewed: int
    decisions: Mapping[str, Mapping[str, int]]
    values: Mapping[str, Mapping[str, int]]
    groups: tuple[GroupFigures, ...]
    landmark_errors: Mapping[str, tuple[int, float, float]]
    films_per_minute: float | None


@dataclass(frozen=True)
class Pairing:
    """A run laid over its truth: every true foot with its reading, and found feet that answer to none."""

    pairs: tuple[Pair, ...]
    extra: tuple[MeasuredFoot, ...]


def pair_feet(run: MeasuredArchive, truth: Iterable[TrueFoot]) -> Pairing:
    """Match the run to the truth film by film.

    Raises
    ------
    ValueError
        If the truth names a film that the run has not: its feet are not missed, they were never looked for.
    """
    by_film: dict[str, list[TrueFoot]] = defaultdict(list)
    for foot in truth:
        by_film[foot.film].append(foot)
    pairs: list[Pair] = []
    extra: list[MeasuredFoot] = []
    if unknown := by_film.keys() - run.films.keys():
        raise ValueError(f"{len(unknown)} films of the truth are not in the run, such as {min(unknown)}")
    for film, feet in by_film.items():
        found = run.films[film]
        partner = match_feet(feet, found)
        pairs += [
            Pair(true, found[k] if k is not None else None, run.was_read(film))
            for true, k in zip(feet, partner, strict=True)
        ]
        extra += [foot for k, foot in enumerate(found) if k not in partner]
    return Pairing(tuple(pairs), tuple(extra))


def evaluate_run(run: MeasuredArchive, truth: Iterable[TrueFoot], settings: EvaluationSettings) -> Evaluation:
    """Match the run to the truth film by film and gather every figure."""
    return evaluate_pairs(pair_feet(run, truth), run, settings)


def evaluate_pairs(matched: Pairing, run: MeasuredArchive, settings: EvaluationSettings) -> Evaluation:
    """Gather every figure of a run that was laid over its truth."""
    pairs, extra = matched.pairs, matched.extra
    # A row that says "no foot here" names no foot that could be missed.
    dp = [pair for pair in pairs if pair.true.view == "dp" and pair.true.side]
    found_pairs = [pair for pair in dp if pair.found]
    sound = [pair for pair in dp if not pair.true.condition]
    decisions: dict[str, Counter[str]] = {view: Counter() for view in VIEWS}
    for pair in pairs:
        decisions[pair.true.view if pair.true.side else "other"][pair.decision] += 1
    accepted_wrongly = [
        pair for pair in pairs if (pair.true.view != "dp" or not pair.true.side) and pair.decision == "accepted"
    ]
    extra_accepted = sum(foot.decision == "accepted" for foot in extra)
    return Evaluation(
        films=len({pair.true.film for pair in pairs}),
        feet=len(dp),
        found=len(found_pairs),
        sides_right=sum(pair.measured is not None and pair.measured.side == pair.true.side for pair in found_pairs),
        extra_feet=len(extra),
        extra_accepted=extra_accepted,
        false_accepts=len(accepted_wrongly) + extra_accepted,
        sound=len(sound),
        sound_reviewed=sum(pair.decision == "review" for pair in sound),
        decisions={view: {name: count[name] for name in _DECISIONS} for view, count in decisions.items() if count},
        values={name: _fates(pairs, name) for name in run.constructions},
        groups=tuple(
            GroupFigures(name, _figures([pair for pair in found_pairs if belongs(pair)], run.constructions, settings))
            for name, belongs in _groups(settings)
        ),
        landmark_errors=_landmark_errors(found_pairs),
        films_per_minute=run.films_per_minute,
    )


def _fates(pairs: Iterable[Pair], measure: str) -> dict[str, int]:
    count = Counter(pair.fate(measure) for pair in pairs if measure in pair.true.angles)
    return {fate: count[fate] for fate in _FATES}


def _groups(settings: EvaluationSettings) -> list[tuple[str, Callable[[Pair], bool]]]:
    edges = (-np.inf, *settings.hva_bands, np.inf)
    groups: list[tuple[str, Callable[[Pair], bool]]] = [
        ("all measured", lambda pair: True),
        ("accepted", lambda pair: pair.decision == "accepted"),
    ]
    for low, high in pairwise(edges):
        groups.append((_band_name(low, high), _in_band(low, high)))
    return groups


def _band_name(low: float, high: float) -> str:
    if not np.isfinite(low):
        return f"HVA below {high:g}"
    return f"HVA {low:g} and above" if not np.isfinite(high) else f"HVA {low:g} to below {high:g}"


def _in_band(low: float, high: float) -> Callable[[Pair], bool]:
    return lambda pair: low <= pair.true.angles.get("hva", np.nan) < high


def _figures(pairs: list[Pair], measures: Iterable[str], settings: EvaluationSettings) -> dict[str, ErrorFigures]:
    return {measure: error_figures(readings(pairs, measure), settings) for measure in measures}


def readings(pairs: Iterable[Pair], measure: str) -> Readings:
    """What was read of one measure, for the feet that have a reading and a truth."""
    rows, films = [], []
    for pair in pairs:
        if pair.measured is not None and measure in pair.measured.values and measure in pair.true.angles:
            rows.append((*pair.measured.values[measure], pair.true.angles[measure]))
            films.append(pair.true.film)
    value, low, high, truth = np.asarray(rows, dtype=float).reshape(-1, 4).T
    return Readings(value, low, high, truth, tuple(films))


def _landmark_errors(pairs: Iterable[Pair]) -> dict[str, tuple[int, float, float]]:
    distances: dict[str, list[float]] = defaultdict(list)
    for pair in pairs:
        measured = pair.measured.landmarks if pair.measured is not None else {}
        for code, (x, y) in pair.true.landmarks.items():
            if code in measured:
                distances[code].append(float(np.hypot(measured[code][0] - x, measured[code][1] - y)))
    return {code: (len(d), float(np.mean(d)), float(np.median(d))) for code, d in distances.items()}
