"""What the review compares by, as a desk has it: statements over what the files say."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from raysplay.infer.films.loading import told
from raysplay.infer.outputs.finished_run import FilmFacts, FinishedRun
from raysplay.infer.review.refused import RefusedError
from raysplay.infer.review.visits import Taking
from raysplay.infer.user_table import UserTableError
from raysplay.infer.visit.conditions import Conditions, Surgery
from raysplay.infer.visit.persons import names_of


class StatedTakings:
    """Statements of a desk; asked anew every time, since they change while the page is open.

    Parameters
    ----------
    run : FinishedRun
    conditions : callable
        Gives what is stated now.
    """

    def __init__(self, run: FinishedRun, conditions: Callable[[], Conditions]) -> None:
        self._run, self._conditions = run, conditions

    def of(self, film: FilmFacts) -> Taking:
        """What is stated of a film, or else what its file says.

        Raises
        ------
        RefusedError
            If statements mix persons.
        """
        stated = self._conditions().of(film.name)
        return Taking(
            self._called()[film.name],
            stated.taken or film.taken,
            told(stated.loading or film.loading),
            stated.worn or None,
            stated.tilt,
            stated.surgery == Surgery.AFTER.value if stated.surgery else None,
            (("stance", stated.stance), ("beam", stated.beam)),
        )

    def films_of(self, person: str) -> npt.NDArray[np.int64]:
        """Films of whoever is called so, by number from 0."""
        names = list(self._called().values())
        return np.array([number for number, name in enumerate(names) if name and name == person], dtype=np.int64)

    def _called(self) -> dict[str, str]:
        films = [self._run.film(number) for number in range(self._run.film_count)]
        try:
            return names_of(films, self._conditions())
        except UserTableError as error:
            raise RefusedError(f"Persons cannot be told apart: {error}") from None
