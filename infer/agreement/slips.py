"""Slips of whole columns or readers that a comparison shows: signs by side, feet exchanged, another measure or unit.

Each reader is laid against the median of the others (readers and tool). Where there are no others, only what no foot
film can show tells (``shape.values`` of ``configs/decision.yaml``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from raysplay.infer.agreement.config import SlipSettings
from raysplay.infer.agreement.feet import FloatArray, StudyReads
from raysplay.infer.decide.settings import decision_settings
from raysplay.measure import by_name
from raysplay.measure.definition import DEGREE
from raysplay.measure.sides import SIDE_WORDS

_NAMED = 10
"""Feet that a sentence lists; the rest is counted."""


@dataclass(frozen=True)
class Slip:
    """Something that looks like a slip of whoever wrote the table; ``stops`` where figures would be wrong with it."""

    reader: str
    measure: str
    kind: str
    said: str
    stops: bool = True


def slips(study: StudyReads, settings: SlipSettings) -> tuple[Slip, ...]:
    """All that look like slips, those that stop first."""
    found = [
        *_other_sides(study, settings),
        *_signs(study, settings),
        *_exchanged_feet(study, settings),
        *_exchanged_measures(study, settings),
        *_units(study, settings),
        *_implausible(study, settings),
    ]
    explained = {(one.reader, one.measure) for one in found}
    found += [one for one in _far_apart(study, settings) if (one.reader, one.measure) not in explained]
    return tuple(sorted(found, key=lambda one: not one.stops))


def _of_reader(study: StudyReads, reader: int, measure: str) -> FloatArray:
    """A reader's mean over sessions, shape (F,)."""
    return _mean(study.readings[measure][:, reader, :], axis=1)


def _others(study: StudyReads, reader: int, measure: str) -> FloatArray:
    """Median of the other readers and the tool, shape (F,); ``nan`` where nobody else read the foot."""
    readers = _mean(study.readings[measure], axis=2)
    rest = np.column_stack([np.delete(readers, reader, axis=1), study.tool[measure]])
    found = np.full(len(rest), np.nan)
    known = np.isfinite(rest).any(axis=1)
    found[known] = np.nanmedian(rest[known], axis=1)
    return found


def _mean(values: FloatArray, axis: int) -> FloatArray:
    known = np.isfinite(values)
    count = known.sum(axis=axis)
    total = np.where(known, values, 0.0).sum(axis=axis)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _alone(study: StudyReads, reader: int) -> bool:
    return all(not np.isfinite(_others(study, reader, name)).any() for name in study.measures)


def _other_sides(study: StudyReads, settings: SlipSettings) -> Iterator[Slip]:
    """Readers who call feet left that others call right."""
    for number, reader in enumerate(study.readers):
        films = sorted({film for one, film, _ in study.other_side if one == reader})
        if not films:
            continue
        read = {
            foot.film
            for i, foot in enumerate(study.feet)
            if any(np.isfinite(study.readings[name][i, number]).any() for name in study.measures)
        }
        many = len(films) >= settings.fewest_feet and len(films) > settings.share * len(read)
        said = f"reader {reader} names the other foot than the run or the other readers on {len(films)} films: "
        if many:
            said = f"reader {reader} calls left what others call right, on {len(films)} of {len(read)} films: "
        yield Slip(reader, "", "side", said + _some(films) + _doubt(study), stops=many)


def _signs(study: StudyReads, settings: SlipSettings) -> Iterator[Slip]:
    """Readers who give the feet of one side the other sign."""
    sides = np.array([foot.side for foot in study.feet])
    for name in study.measures:
        if by_name(name).unit != DEGREE:
            continue
        turned: list[tuple[str, str, int, int]] = []
        for number, reader in enumerate(study.readers):
            own, others = _of_reader(study, number, name), _others(study, number, name)
            if not np.isfinite(others).any():
                others = np.full(len(own), _usual_sign(name) * np.inf) if _usual_sign(name) else others
            for side, word in SIDE_WORDS.items():
                told = (sides == side) & np.isfinite(own) & ~np.isnan(others)
                told &= np.minimum(np.abs(own), np.abs(others)) >= settings.least_degrees
                opposite = int((own[told] * others[told] < 0).sum())
                if told.sum() >= settings.fewest_feet and opposite > settings.share * told.sum():
                    turned.append((reader, word, opposite, int(told.sum())))
        # Two readers alone accuse each other: the one whose signs are the usual ones of the measure is right.
        for reader, word, opposite, count in turned:
            if len(study.readers) == 2 and len([one for one in turned if one[1] == word]) == 2:
                own = _of_reader(study, study.readers.index(reader), name)[sides == word[0].upper()]
                if _usual_sign(name) and np.nanmedian(own) * _usual_sign(name) > 0:
                    continue
            yield Slip(
                reader,
                name,
                "sign",
                f"reader {reader} signs {by_name(name).abbreviation} of {word} feet the other way, on {opposite} of "
                f"{count} feet; here signs do not depend on the side (raysplay measures {name})",
            )


def _usual_sign(measure: str) -> int:
    """Sign that most feet have, where the range of what films show leans to one side; else 0."""
    low, high = decision_settings().shape.values.get(measure, (-1.0, 1.0))
    return int(np.sign(round(low + high, 6)))


def _exchanged_feet(study: StudyReads, settings: SlipSettings) -> Iterator[Slip]:
    """Films whose two feet a reader exchanged."""
    by_film: dict[str, dict[str, int]] = {}
    for i, foot in enumerate(study.feet):
        by_film.setdefault(foot.film, {})[foot.side] = i
    pairs = {film: (feet["L"], feet["R"]) for film, feet in by_film.items() if len(feet) == 2}
    if not pairs:
        return
    angles = [name for name in study.measures if by_name(name).unit == DEGREE]
    for number, reader in enumerate(study.readers):
        straight, crossed = np.zeros(len(pairs)), np.zeros(len(pairs))
        left, right = np.array(list(pairs.values())).T
        for name in angles:
            own, others = _of_reader(study, number, name), _others(study, number, name)
            parts = [
                np.abs(own[a] - others[b]) for a, b in ((left, left), (right, right), (left, right), (right, left))
            ]
            known = np.isfinite(parts).all(axis=0)
            straight += np.where(known, parts[0] + parts[1], 0.0)
            crossed += np.where(known, parts[2] + parts[3], 0.0)
        films = np.array(list(pairs))[
            (straight >= 2.0 * settings.least_degrees) & (crossed <= settings.closer * straight)
        ]
        if len(films):
            yield Slip(
                reader,
                "",
                "feet exchanged",
                f"reader {reader} has left and right foot exchanged on {len(films)} of {len(pairs)} films with both: "
                f"{_some(films.tolist())}{_doubt(study)}",
            )


def _exchanged_measures(study: StudyReads, settings: SlipSettings) -> Iterator[Slip]:
    """Columns that hold what others call another measure, and single feet with two measures exchanged."""
    angles = [name for name in study.measures if by_name(name).unit == DEGREE]
    for number, reader in enumerate(study.readers):
        own = {name: _of_reader(study, number, name) for name in angles}
        others = {name: _others(study, number, name) for name in angles}
        whole: set[str] = set()
        for name, meant in permutations(angles, 2):
            known = np.isfinite(own[name]) & np.isfinite(others[name]) & np.isfinite(others[meant])
            if known.sum() < settings.fewest_feet:
                continue
            present = np.abs(own[name] - others[name])[known]
            other = np.abs(own[name] - others[meant])[known]
            better = (present >= settings.least_degrees) & (other <= settings.closer * present)
            if better.mean() > settings.share:
                whole |= {name, meant}
                yield Slip(
                    reader,
                    name,
                    "measure",
                    f"column {by_name(name).abbreviation} of reader {reader} holds what others call "
                    f"{by_name(meant).abbreviation}, on {int(better.sum())} of {int(known.sum())} feet{_doubt(study)}",
                )
        for first, second in permutations(angles, 2):
            if first > second or {first, second} & whole:
                continue
            straight = np.abs(own[first] - others[first]) + np.abs(own[second] - others[second])
            crossed = np.abs(own[first] - others[second]) + np.abs(own[second] - others[first])
            swapped = np.flatnonzero(
                (straight >= settings.far_apart_degrees) & (crossed <= 0.5 * settings.closer * straight)
            )
            if len(swapped):
                yield Slip(
                    reader,
                    first,
                    "measure",
                    f"reader {reader} has {by_name(first).abbreviation} and {by_name(second).abbreviation} exchanged "
                    f"on {_feet(study, swapped)}{_doubt(study)}",
                )


def _units(study: StudyReads, settings: SlipSettings) -> Iterator[Slip]:
    """Columns in another unit than the measure's."""
    for name in study.measures:
        for number, reader in enumerate(study.readers):
            own, others = _of_reader(study, number, name), _others(study, number, name)
            known = np.isfinite(own) & np.isfinite(others) & (np.abs(others) > 0)
            if known.sum() < settings.fewest_feet:
                continue
            ratio = float(np.median(own[known] / others[known]))
            for word, factor in settings.unit_factors.items():
                if abs(ratio / factor - 1.0) <= settings.unit_spread:
                    unit = by_name(name).unit
                    yield Slip(
                        reader,
                        name,
                        "unit",
                        f"{by_name(name).abbreviation} of reader {reader} is {ratio:.3g} times that of the others, as "
                        f"if it were written in {word}; expected is {'degrees' if unit == DEGREE else unit}"
                        f"{_doubt(study)}",
                    )


def _implausible(study: StudyReads, settings: SlipSettings) -> Iterator[Slip]:
    """Columns of which most values are such as no foot film shows; where there are no others to compare with, too."""
    ranges: Mapping[str, tuple[float, float]] = decision_settings().shape.values
    for name in study.measures:
        if name not in ranges:
            continue
        low, high = ranges[name]
        for number, reader in enumerate(study.readers):
            own = _of_reader(study, number, name)
            known = np.isfinite(own)
            outside = known & ((own < low) | (own > high))
            if not outside.any():
                continue
            many = outside.sum() >= settings.fewest_feet and outside.sum() > settings.share * known.sum()
            yield Slip(
                reader,
                name,
                "range",
                f"{by_name(name).abbreviation} of reader {reader} lies outside of what a foot film shows ({low:g} to "
                f"{high:g}) on {int(outside.sum())} of {int(known.sum())} feet: "
                f"{_feet(study, np.flatnonzero(outside))}",
                stops=bool(many),
            )
    if {"hva", "ima"} <= set(study.measures):
        for number, reader in enumerate(study.readers):
            if not _alone(study, number):
                continue
            hva, ima = (_of_reader(study, number, name) for name in ("hva", "ima"))
            known = np.isfinite(hva) & np.isfinite(ima)
            larger = int((np.abs(ima[known]) > np.abs(hva[known]) + settings.least_degrees).sum())
            if known.sum() >= settings.fewest_feet and larger > settings.share * known.sum():
                yield Slip(
                    reader,
                    "ima",
                    "measure",
                    f"reader {reader} has IMA larger than HVA on {larger} of {int(known.sum())} feet, as if the "
                    "columns were exchanged (on most feet HVA is the larger one: common practice, no source)",
                )


def _far_apart(study: StudyReads, settings: SlipSettings) -> Iterator[Slip]:
    for name in study.measures:
        if by_name(name).unit != DEGREE:
            continue
        for number, reader in enumerate(study.readers):
            apart = np.abs(_of_reader(study, number, name) - _others(study, number, name))
            far = np.flatnonzero(apart >= settings.far_apart_degrees)
            if len(far):
                yield Slip(
                    reader,
                    name,
                    "far apart",
                    f"{by_name(name).abbreviation} of reader {reader} lies {settings.far_apart_degrees:g} degrees or "
                    f"more from the others on {_feet(study, far)}. Look at these films: a reading may be wrong, or a "
                    "cell, or the film's name",
                    stops=False,
                )


def _doubt(study: StudyReads) -> str:
    """Where two readers are all there is, neither is known to be the wrong one."""
    two = len(study.readers) == 2 and not any(np.isfinite(values).any() for values in study.tool.values())
    return "; or it is the other reader's: there are only two" if two else ""


def _feet(study: StudyReads, places: np.ndarray) -> str:
    return _some([f"{study.feet[i].film} {study.feet[i].side}" for i in places])


def _some(names: list[str]) -> str:
    more = len(names) - _NAMED
    return ", ".join(names[:_NAMED]) + (f" and {more} more" if more > 0 else "")
