"""Which foot every read is of: films by name, feet of a run by side, readers that name a foot otherwise."""

from __future__ import annotations

import csv
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from raysplay.infer.agreement.reads import FilmFact, Read, ReadTables, Unused, UnusedRow, renamed, unused_read
from raysplay.infer.compare.match import match_feet
from raysplay.infer.compare.run_tables import MeasuredArchive, MeasuredFoot, read_run
from raysplay.infer.compare.true_foot import TrueFoot
from raysplay.infer.film_names import FilmNames
from raysplay.infer.outputs.finished_run import RunError
from raysplay.infer.outputs.table_digests import changed_table
from raysplay.infer.user_table import UserTableError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

READ_ONLY, NOT_FOUND, NOT_READ = "no run", "not found", "film not read"


@dataclass(frozen=True)
class Run:
    """A finished run with what it says of its films.

    ``persons`` holds the code of the person by film, ``pixel_mm`` the distance of columns; both only where known.
    """

    folder: Path
    archive: MeasuredArchive
    persons: Mapping[str, str]
    pixel_mm: Mapping[str, float]


@dataclass(frozen=True)
class StudyFoot:
    """A foot that somebody read.

    Attributes
    ----------
    film, side : str
        As the run has them, where it found the foot.
    measured : MeasuredFoot or None
    decision : str
        Of the run; or why there is none: :data:`NOT_FOUND`, :data:`NOT_READ`, :data:`READ_ONLY`.
    person : str
        The same for all feet of a person, and another one for every film of which it is not known.
    fact : FilmFact
    pixel_mm : float
        ``nan`` where unknown.
    first_film : str
        Film for which these feet stood first, where this is a repeat film of a study of repeat films; else itself.
    """

    film: str
    side: str
    measured: MeasuredFoot | None
    decision: str
    person: str
    fact: FilmFact = field(default_factory=FilmFact)
    pixel_mm: float = np.nan
    first_film: str = ""


@dataclass(frozen=True)
class StudyReads:
    """Reads by foot.

    Attributes
    ----------
    feet : tuple of StudyFoot, length F
    readers, sessions, measures : tuple of str
        R, S and M names.
    readings : mapping of str to ndarray, shape (F, R, S)
        By measure; ``nan`` where not read.
    tool, tool_low, tool_high : mapping of str to ndarray, shape (F,)
        What the run says; ``nan`` where it gives nothing.
    groups : ndarray of int, shape (F,)
        Feet of one person share a number.
    other_side : tuple of (str, str, str)
        Reader, film and the side stated, where the run or the other readers call the only foot otherwise.
    constructions : mapping of str to str
        How each measure is built, where a table or the run says so.
    """

    feet: tuple[StudyFoot, ...]
    readers: tuple[str, ...]
    sessions: tuple[str, ...]
    measures: tuple[str, ...]
    readings: Mapping[str, FloatArray]
    tool: Mapping[str, FloatArray]
    tool_low: Mapping[str, FloatArray]
    tool_high: Mapping[str, FloatArray]
    groups: IntArray
    other_side: tuple[tuple[str, str, str], ...]
    constructions: Mapping[str, str]

    @property
    def again(self) -> IntArray:
        """Feet of one place of a person that stand on several films share a number from 0; -1 of all others; (F,)."""
        stands = [(foot.first_film or foot.film, foot.side) for foot in self.feet]
        count = Counter(stands)
        number: dict[tuple[str, str], int] = {}
        return np.array(
            [number.setdefault(one, len(number)) if count[one] > 1 else -1 for one in stands], dtype=np.int64
        )


def open_run(folder: Path) -> Run:
    """Read a run.

    Raises
    ------
    RunError
        If it cannot be read, or a table of it was changed since.
    """
    archive = read_run(folder)
    if changed := changed_table(folder, ("films.csv",)):
        raise RunError(changed)
    persons: dict[str, str] = {}
    pixels: dict[str, float] = {}
    try:
        with (folder / "films.csv").open(encoding="utf-8", newline="") as stream:
            for row in csv.DictReader(stream):
                if row.get("person"):
                    persons[row["film"]] = row["person"]
                if row.get("column_mm"):
                    pixels[row["film"]] = float(row["column_mm"])
    except (OSError, ValueError, csv.Error) as error:
        raise RunError(f"{folder / 'films.csv'}: cannot be read ({type(error).__name__})") from error
    return Run(folder, archive, persons, pixels)


def study_reads(tables: ReadTables, run: Run | None) -> tuple[StudyReads, tuple[UnusedRow, ...]]:
    """Lay reads over the feet of a run, or of each other where there is none.

    Returns
    -------
    StudyReads
    tuple of UnusedRow
        Reads that no foot could be found for, or that are of another construction.

    Raises
    ------
    UserTableError
        If no read is left.
    """
    unused: list[UnusedRow] = []
    repeated = {fact.repeat_of for fact in tables.facts.values()} - {""}
    called = _film_names({read.film for read in tables.reads} | tables.facts.keys() | repeated, run)
    reads = _of_named_films(tables.reads, called, run, unused)
    reads = _alone_of_their_side(reads, unused)
    reads, constructions = _of_one_construction(reads, run, unused)
    if run is not None:
        unknown = {read.measure for read in reads} - run.archive.constructions.keys()
        unused += [unused_read(read, Unused.NOT_REPORTED) for read in reads if read.measure in unknown]
        reads = [read for read in reads if read.measure not in unknown]
    if not reads:
        first = f"; the first: line {unused[0].line}: {unused[0].reason}" if unused else ""
        raise UserTableError(f"{', '.join(tables.rows)}: no row could be used{first}")
    matched, feet, other_side = _matched(reads, run)
    facts = {called[film][0]: fact for film, fact in tables.facts.items() if len(called[film]) == 1}
    facts = _first_films(facts, called)
    return _laid_out(matched, feet, other_side, constructions, run, facts), tuple(unused)


def _first_films(facts: Mapping[str, FilmFact], called: Mapping[str, tuple[str, ...]]) -> dict[str, FilmFact]:
    """Facts in which every repeat film names the first film of its feet, as the run has it.

    Raises
    ------
    UserTableError
        If films repeat each other in a ring, or the film that is repeated is not clear.
    """
    earlier: dict[str, str] = {}
    for film, fact in facts.items():
        if fact.repeat_of:
            meant = called[fact.repeat_of]
            if len(meant) > 1:
                raise UserTableError(f"{film} is a repeat of {fact.repeat_of}, which could be {' or '.join(meant[:3])}")
            earlier[film] = meant[0] if meant else fact.repeat_of
    found = {}
    for film, fact in facts.items():
        first, passed = film, {film}
        while first in earlier:
            first = earlier[first]
            if first in passed:
                raise UserTableError(f"{film} is a repeat of itself (column repeat_of)")
            passed.add(first)
        found[film] = replace(fact, repeat_of=first if film in earlier else "")
    return found


def _film_names(given: set[str], run: Run | None) -> dict[str, tuple[str, ...]]:
    """Films that each name can mean: of the run, or without one the names with an ending that others wrote."""
    if run is not None:
        names = FilmNames(run.archive.films)
        return {name: names.meant(name) for name in given}
    whole = FilmNames(name for name in given if "." in name.rpartition("/")[2])
    meant = {name: whole.meant(name) for name in given}
    return {name: films if len(films) == 1 else (name,) for name, films in meant.items()}


def _of_named_films(
    reads: Sequence[Read], called: Mapping[str, tuple[str, ...]], run: Run | None, unused: list[UnusedRow]
) -> list[Read]:
    kept = []
    for read in reads:
        films = called[read.film]
        if len(films) != 1:
            kind, said = Unused.UNKNOWN_FILM, ""
            if films:
                kind, said = Unused.UNCLEAR_FILM, f"could be {' or '.join(films[:3])}"
            unused.append(unused_read(read, kind, said, slip=bool(films)))
        elif run is not None and run.archive.is_copy(films[0]):
            unused.append(
                unused_read(read, Unused.COPIED_FILM, "the film is a copy of another one, which stands for both")
            )
        else:
            kept.append(renamed(read, films[0], read.side))
    return kept


def _alone_of_their_side(reads: Sequence[Read], unused: list[UnusedRow]) -> list[Read]:
    """Reads of feet that are the only one of their side on their film: a run numbers feet as it finds them."""
    places: dict[tuple[str, str, str], set[str]] = defaultdict(set)
    for read in reads:
        places[read.film, read.side, read.reader].add(read.place)
    doubled = {key for key, found in places.items() if len(found) > 1}
    unused += [
        unused_read(read, Unused.TWO_OF_A_SIDE) for read in reads if (read.film, read.side, read.reader) in doubled
    ]
    return [read for read in reads if (read.film, read.side, read.reader) not in doubled]


def _of_one_construction(
    reads: Sequence[Read], run: Run | None, unused: list[UnusedRow]
) -> tuple[list[Read], dict[str, str]]:
    """Reads by one axis method a measure: that of the run, else the one most reads state."""
    stated: dict[str, Counter[str]] = defaultdict(Counter)
    for read in reads:
        if read.construction:
            stated[read.measure][read.construction] += 1
    built = {measure: count.most_common(1)[0][0] for measure, count in stated.items()}
    if run is not None:
        built |= run.archive.constructions
    kept = []
    for read in reads:
        if read.construction and read.construction != built[read.measure]:
            by = "the run" if run is not None else "the other reads"
            said = f"read by {read.construction}, and {by} by {built[read.measure]}: these are never compared"
            unused.append(unused_read(read, Unused.OTHER_CONSTRUCTION, said, slip=True))
        else:
            kept.append(read)
    return kept, {measure: built[measure] for measure in {read.measure for read in kept} & built.keys()}


Place = tuple[str, int | str]
"""Film with the index of a foot of the run, or with a side."""


def _matched(
    reads: Sequence[Read], run: Run | None
) -> tuple[list[tuple[Read, Place]], dict[Place, str], tuple[tuple[str, str, str], ...]]:
    """Every read with its foot, the side of each foot, and who calls the only foot of a film otherwise."""
    sides: dict[str, dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for read in reads:
        sides[read.film][read.reader].add(read.side)
    where: dict[tuple[str, str, str], Place] = {}
    called: dict[Place, str] = {}
    other: list[tuple[str, str, str]] = []
    for film, by_reader in sides.items():
        found = () if run is None else run.archive.films[film]
        single = found == () and all(len(named) == 1 for named in by_reader.values())
        usual = Counter(side for named in by_reader.values() for side in sorted(named)).most_common(1)[0][0]
        for reader, named in by_reader.items():
            known = sorted(named)
            partner = match_feet([TrueFoot(film, side) for side in known], found)
            for side, index in zip(known, partner, strict=True):
                if index is not None:
                    place: Place = (film, index)
                    called[place] = found[index].side
                else:
                    place = film, usual if single else side
                    called[place] = usual if single else side
                where[film, reader, side] = place
                if called[place] != side:
                    other.append((reader, film, side))
    return [(read, where[read.film, read.reader, read.side]) for read in reads], called, tuple(other)


def _laid_out(
    matched: Sequence[tuple[Read, Place]],
    called: Mapping[Place, str],
    other_side: tuple[tuple[str, str, str], ...],
    constructions: Mapping[str, str],
    run: Run | None,
    facts: Mapping[str, FilmFact],
) -> StudyReads:
    places = sorted(called, key=lambda place: (place[0], str(place[1])))
    row = {place: i for i, place in enumerate(places)}
    readers = tuple(sorted({read.reader for read, _ in matched}))
    sessions = tuple(sorted({read.session for read, _ in matched}, key=_in_order))
    measures = _as_registered({read.measure for read, _ in matched})
    column = {name: i for i, name in enumerate(readers)}
    layer = {name: i for i, name in enumerate(sessions)}
    shape = len(places), len(readers), len(sessions)
    readings = {name: np.full(shape, np.nan) for name in measures}
    for read, place in matched:
        readings[read.measure][row[place], column[read.reader], layer[read.session]] = read.value
    feet = tuple(_foot(place, called[place], run, facts) for place in places)
    number: dict[str, int] = {}
    groups = np.array([number.setdefault(foot.person, len(number)) for foot in feet], dtype=np.int64)
    tool = {
        name: np.array(
            [(np.nan,) * 3 if f.measured is None else f.measured.values.get(name, (np.nan,) * 3) for f in feet]
        ).reshape(-1, 3)
        for name in measures
    }
    return StudyReads(
        feet,
        readers,
        sessions,
        measures,
        readings,
        {name: values[:, 0] for name, values in tool.items()},
        {name: values[:, 1] for name, values in tool.items()},
        {name: values[:, 2] for name, values in tool.items()},
        groups,
        other_side,
        constructions,
    )


def _foot(place: Place, side: str, run: Run | None, facts: Mapping[str, FilmFact]) -> StudyFoot:
    film, index = place
    fact = facts.get(film, FilmFact())
    person, first = _person(film, run, facts), fact.repeat_of or film
    if run is None:
        return StudyFoot(film, side, None, READ_ONLY, person, fact, first_film=first)
    measured = run.archive.films[film][index] if isinstance(index, int) else None
    decision = NOT_FOUND if run.archive.was_read(film) else NOT_READ
    decision = decision if measured is None else measured.decision
    return StudyFoot(film, side, measured, decision, person, fact, run.pixel_mm.get(film, np.nan), first)


def _person(film: str, run: Run | None, facts: Mapping[str, FilmFact]) -> str:
    """Whose film it is by the table, by the run, or by the film that it repeats; else a person of its own."""
    first = facts.get(film, FilmFact()).repeat_of or film
    for one in (film, first):
        known = facts.get(one, FilmFact()).person or ("" if run is None else run.persons.get(one, ""))
        if known:
            return known
    return f"film {first}"


def _as_registered(names: Iterable[str]) -> tuple[str, ...]:
    from raysplay.measure import MEASURES

    known = set(names)
    return tuple(dict.fromkeys(one.name for one in MEASURES if one.name in known))


def _in_order(session: str) -> tuple[int, str]:
    return (int(session), "") if session.isdecimal() else (2**31, session)
