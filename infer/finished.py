"""A finished run as plain objects and tables for Python."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from itertools import groupby
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

from raysplay.infer.outputs import finished_run
from raysplay.infer.outputs.finished_run import FinishedRun, RunError
from raysplay.infer.reason import Reason
from raysplay.infer.records import Outcome
from raysplay.infer.result_tables import Rows, to_arrow, to_pandas
from raysplay.infer.results import (
    FilmResult,
    FootResult,
    Landmark,
    MeasuredValue,
    landmarks_by_code,
    measured_value,
    refusal_words,
)

if TYPE_CHECKING:
    import pandas
    import pyarrow


class Run:
    """What ``raysplay measure`` left in a folder. Iterating gives every film with its feet, in the order of the tables.

    The numbers are those of the run: what a person corrected or confirmed in a review is not among them (``raysplay
    export`` writes that). A person confirms every number that is used in care.

    Attributes
    ----------
    folder : Path
    constructions : mapping of str to str
        Reported measures with their construction, in the order of the tables.
    proven : frozenset of str
        Measures whose error is known on bones that no generator drew, with the weights of the run.
    notes : tuple of str
        What is no longer as it was when the run was made.
    """

    def __init__(self, run: FinishedRun) -> None:
        self._run = run
        self.folder = run.folder
        self.constructions = MappingProxyType({measure.name: measure.construction for measure in run.measures})
        self.proven = run.proven
        self.notes = tuple(run.changes())

    def __len__(self) -> int:
        """Films, those without a foot among them."""
        return self._run.film_count

    def __iter__(self) -> Iterator[FilmResult]:
        run, sides = self._run, self._run.sides.to_pylist()
        for film, rows in groupby(range(len(run)), key=lambda row: int(run.film_of[row])):
            feet = list(rows)
            facts = run.film(film)
            if sides[feet[0]]:
                yield FilmResult(facts.name, tuple(self._foot(row) for row in feet), remarks=facts.remarks)
            else:
                outcome = Outcome(run.decisions[feet[0]].as_py())
                yield FilmResult(facts.name, (), outcome, run.reasons[feet[0]], facts.remarks)

    def feet(self) -> Iterator[FootResult]:
        """Every foot, whatever was decided; ``accepted(run)`` chooses. Films without a foot are not among them."""
        for film in self:
            yield from film.feet

    def to_arrow(self, rows: Rows = "feet") -> pyarrow.Table:
        """The run as a table, see :func:`~raysplay.infer.result_tables.to_arrow`."""
        return to_arrow(self, rows, tuple(self.constructions))

    def to_pandas(self, rows: Rows = "feet") -> pandas.DataFrame:
        """The same as a data frame, see :func:`~raysplay.infer.result_tables.to_pandas`."""
        return to_pandas(self, rows, tuple(self.constructions))

    def _foot(self, row: int) -> FootResult:
        run = self._run
        decision, reasons = Outcome(run.decisions[row].as_py()), run.reasons[row]
        return FootResult(
            run.films[row].as_py(),
            int(run.foot_index[row]),
            run.sides[row].as_py(),
            decision,
            reasons,
            MappingProxyType(self._values(row, decision, reasons)),
            partial(self._landmarks, row),
            run.beam(row),
        )

    def _values(self, row: int, decision: Outcome, reasons: tuple[Reason, ...]) -> dict[str, MeasuredValue]:
        run, refused = self._run, decision is Outcome.REFUSED
        withheld = run.withheld(row)
        values = {}
        for measure, (value, low, high) in zip(run.measures, run.values[row], strict=True):
            why = withheld.get(measure.name)
            if value != value and why is None and not refused:
                raise RunError(f"{self.folder / 'feet.csv'}: a number is missing without a reason that is known here")
            values[measure.name] = measured_value(
                measure,
                (float(value), float(low), float(high)),
                measure.name in run.proven,
                withheld=why,
                why=refusal_words(reasons) if refused else "",
            )
        return values

    def _landmarks(self, row: int) -> dict[str, Landmark]:
        found = self._run.landmarks(row)
        return landmarks_by_code(found.points, found.covariance, found.confidence)


def read_run(folder: Path | str) -> Run:
    """The finished run in a folder.

    It is taken as a stranger's: regular files of bounded size, every cell checked, tables unchanged since the run.

    Raises
    ------
    RunFormatError
        If another version wrote it in another format; the message says what to do.
    RunError
        If there is no run, or it is not what ``raysplay measure`` wrote.
    """
    return Run(finished_run.read_run(Path(folder)))
