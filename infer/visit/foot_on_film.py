"""One foot on one film as its review left it, with what the table of conditions states of the film.

All that is taken from a review is taken here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from raysplay.configs.proof import ForeignError
from raysplay.infer.films.loading import told
from raysplay.infer.outputs.finished_run import FilmFacts, FootLandmarkTable
from raysplay.infer.review.foot_answers import proven
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.review.reading import PlacedPoints
from raysplay.infer.review.reviewed import source
from raysplay.infer.review.shown import NOTHING, Shown
from raysplay.infer.review.standing import Standing
from raysplay.infer.review.visits import unfit
from raysplay.infer.visit.conditions import Stated
from raysplay.measure import Measure


@dataclass(frozen=True)
class FootOnFilm:
    """One foot on one film.

    Attributes
    ----------
    foot, index : int
        Number in the run from 0, and place among the feet of the film.
    film : FilmFacts
    side : str
        As the foot is called; empty where no side is known.
    frame : str
        As which side the picture shows it, which gives its angles their sign; empty where unknown.
    stated : Stated
        By the table of conditions.
    standing : Standing
    shown : tuple of Shown
        Its measures; none has a number where nobody may have one.
    model : FootLandmarkTable
    initial : PlacedPoints
        Points before any hand.
    proven : callable
        Whether a measure's error is known, and small, on bones that no generator drew.
    foreign_error : callable
        What that error is; None where it was not measured with the run's weights.
    decision : str
        Of the run.
    reasons : tuple of str
        Of the decision.
    unfit : str
        Why it has no numbers at all; empty where it may have some.
    """

    foot: int
    index: int
    film: FilmFacts
    side: str
    frame: str
    stated: Stated
    standing: Standing
    shown: tuple[Shown, ...]
    model: FootLandmarkTable
    initial: PlacedPoints
    proven: Callable[[Measure], bool]
    foreign_error: Callable[[Measure], ForeignError | None]
    decision: str = ""
    reasons: tuple[str, ...] = ()
    unfit: str = ""

    @property
    def taken(self) -> str:
        """Day of the film, by the table where it gives one; ISO 8601."""
        return self.stated.taken or self.film.taken

    @property
    def loading(self) -> str | None:
        """How the foot was loaded, by the table where it says so; None where unknown."""
        return told(self.stated.loading or self.film.loading)

    @property
    def contradicted(self) -> dict[str, tuple[str, str]]:
        """What the table gives otherwise than the file, table first: ``date``, ``loading``."""
        pairs = {
            "date": (self.stated.taken, self.film.taken),
            "loading": (self.stated.loading, told(self.film.loading) or ""),
        }
        return {name: pair for name, pair in pairs.items() if all(pair) and pair[0] != pair[1]}

    @property
    def kind(self) -> tuple[str | None, ...]:
        """What must be alike for two films to be compared over time: loading, what was worn, side of an operation,
        stance and beam."""
        one = self.stated
        return self.loading, one.worn or None, one.surgery or None, one.stance or None, one.beam or None

    def measure(self, name: str) -> Shown | None:
        """One measure; None if the run does not report it."""
        return next((one for one in self.shown if one.measure.name == name), None)

    def source(self, shown: Shown) -> str:
        """Who stands for a number: the model, who corrected it, who confirmed it."""
        return source(self.standing, shown.measure.name, shown.by_hand) if self.standing.version else "model"


def foot_on_film(desk: OpenDesk, foot: int, film: FilmFacts, stated: Stated) -> FootOnFilm:
    """A foot of a run, by its number from 0."""
    run, standing = desk.run, desk.standing(foot + 1, "")
    reasons = tuple(reason.text for reason in run.reasons[foot])
    decision = run.decisions[foot].as_py()
    why = unfit(standing.state, decision, reasons, standing.content["reason"])
    shown = tuple(desk.numbers.shown(foot, standing.reading, standing))
    if why:
        shown = tuple(replace(one, numbers=NOTHING, sd=np.nan, why_none=why, held=None, accepted=None) for one in shown)
    table, initial = desk.output.points(foot)
    return FootOnFilm(
        foot,
        int(run.foot_index[foot]),
        film,
        standing.side,
        standing.content["frame"],
        stated,
        standing,
        shown,
        table,
        initial,
        partial(proven, run),
        run.foreign_error,
        decision,
        reasons,
        why,
    )
