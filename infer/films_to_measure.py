"""The films of a call and what they are measured by, before anything is opened."""

from __future__ import annotations

import os
from collections.abc import Generator, Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from raysplay.configs.errors import RaysplayError
from raysplay.configs.load import landmark_schema
from raysplay.configs.protocol import ReadingProtocol
from raysplay.infer.films.address import address_of, as_given, is_address, listing, only_address
from raysplay.infer.films.collect import Candidate, Collected, collect
from raysplay.infer.films.settings import FilmLimits, film_settings
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.settings import reading_settings
from raysplay.infer.user_protocol import protocol_file, user_protocol
from raysplay.measure import Measure

if TYPE_CHECKING:
    from raysplay.infer.decide.settings import DecisionLimits
    from raysplay.infer.pipeline import FilmReading, ReadsFeet

Paths = Path | str | Iterable[Path | str]


class NoFilmsError(RaysplayError, ValueError):
    """A path that is missing, or paths without a file to measure; the message names it."""


@dataclass(frozen=True)
class FilmsToMeasure:
    """What is to be measured, and by what: found and checked, no film opened yet.

    Attributes
    ----------
    inputs : tuple of str
        The paths that were given, whole.
    candidates : list of Candidate
        Files in the order of their names; at least one.
    runs : tuple of str
        Folders among them that an earlier run wrote.
    litter : int
        Files and folders of the operating system among them.
    protocol : ReadingProtocol
    protocol_file : Path
        Where it stands.
    limits : DecisionLimits
    reading : FilmLimits
    """

    inputs: tuple[str, ...]
    candidates: list[Candidate]
    runs: tuple[str, ...]
    litter: int
    protocol: ReadingProtocol
    protocol_file: Path
    limits: DecisionLimits
    reading: FilmLimits

    @property
    def passed_over(self) -> tuple[str, ...]:
        """What lies among the films and gets no row, in sentences."""
        return _passed_over(self.runs, self.litter)

    @property
    def reported(self) -> tuple[Measure, ...]:
        """Measures of the protocol, as it builds them."""
        return self.protocol.reported_measures()

    def read(self, feet: ReadsFeet) -> Generator[FilmReading]:
        """Every film, in order; processes that decode films end when the generator does, or is closed."""
        # These bring the decoders with them; a wrong call should not have to wait for that.
        from raysplay.infer.films.decode import FilmReaders
        from raysplay.infer.films.person import new_key
        from raysplay.infer.pipeline import FilmPipeline, at_once_of

        with FilmReaders(at_once_of(feet), self.reading.model_copy(update={"person_key": new_key()})) as films:
            yield from FilmPipeline(films, feet, self.limits, landmark_schema(), self.protocol).read(self.candidates)

    @property
    def at_address(self) -> bool:
        """Whether they are objects of a store."""
        return is_address(self.candidates[0].path)

    @property
    def folder(self) -> Path | None:
        """Folder that the names of the films are relative to; None at an address and where a name is a whole path."""
        first = self.candidates[0]
        if self.at_address:
            return None
        above = len(PurePosixPath(first.name).parts)
        folders = first.path.parents
        return folders[above - 1] if above <= len(folders) else None


def films_to_measure(
    paths: Paths, protocol: Path | str | None, *, copies: bool = True, addresses: bool = False
) -> FilmsToMeasure:
    """Find the files and read every configuration that measuring them needs.

    Parameters
    ----------
    paths, protocol
        As :func:`~raysplay.infer.measuring.measure` takes them.
    copies : bool
        As :func:`~raysplay.infer.films.collect.collect` takes it.
    addresses : bool
        Whether an address (:mod:`~raysplay.infer.films.address`) may stand in the place of a folder.

    Raises
    ------
    NoFilmsError, ConfigError
        As there.
    """
    from raysplay.infer.decide.settings import decision_settings

    # All that can be wrong with a configuration comes out here, not at the first film.
    limits, reading = decision_settings(), film_settings()
    landmark_schema()
    reading_settings()
    output_settings()
    by_protocol = user_protocol(protocol)
    given = (paths,) if isinstance(paths, Path | str) else tuple(paths)
    address = None
    try:
        if addresses:
            given = tuple(as_given(Path(path)) for path in given)
            address = only_address(given)  # type: ignore[arg-type]
        collected = collect(given, reading, copies=copies) if address is None else _at(address)
    except FileNotFoundError as error:
        raise NoFilmsError(str(error)) from error
    runs = tuple(str(run) for run in collected.runs)
    if not collected.candidates:
        passed_over = _passed_over(runs, collected.litter)
        beside = f" ({'; '.join(passed_over)})" if passed_over else ""
        raise NoFilmsError(f"there is no file to measure{beside}")
    inputs = tuple(os.path.abspath(path) for path in given) if address is None else (address_of(address),)
    used = protocol_file(protocol)
    return FilmsToMeasure(inputs, collected.candidates, runs, collected.litter, by_protocol, used, limits, reading)


def _at(address: Path) -> Collected:
    from raysplay.infer.archive.settings import engine_settings

    found = listing(address, engine_settings().stall_seconds)
    return Collected(found.candidates, found.litter)


def _passed_over(runs: tuple[str, ...], litter: int) -> tuple[str, ...]:
    said = [f"not measured: what an earlier run wrote into {run}" for run in runs]
    if litter:
        said.append(f"passed over files and folders of the operating system: {litter}")
    return tuple(said)
