"""A reader's desk: feet as they stand, what they measure, and reads that are saved.

:class:`Desk` holds what every review shares; :class:`~raysplay.infer.review.open_desk.OpenDesk` shows what the model
found, :class:`~raysplay.infer.review.blind_desk.BlindDesk` hides it. Which numbers a foot has says ``foot_numbers.py``,
what a verdict makes of it ``verdicts.py``, what a read keeps ``contents.py``.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from functools import cached_property

from raysplay.configs.load import landmark_schema
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.review import answers
from raysplay.infer.review.acceptance import looked_at
from raysplay.infer.review.contents import Contents
from raysplay.infer.review.films import FilmShelf, Picture
from raysplay.infer.review.foot_answers import FootAnswers
from raysplay.infer.review.foot_numbers import FootNumbers, without_numbers
from raysplay.infer.review.lineage import Lineage
from raysplay.infer.review.model_output import ModelOutput
from raysplay.infer.review.read_answers import read_answer, theirs_answer, yours_answer
from raysplay.infer.review.reading import FootGauge
from raysplay.infer.review.refused import OvertakenError, RefusedError
from raysplay.infer.review.requests import MeasureSent, ReadSent
from raysplay.infer.review.sent_reading import sent_reading
from raysplay.infer.review.session_answer import session_answer
from raysplay.infer.review.settings import ReviewSettings
from raysplay.infer.review.shown import Shown
from raysplay.infer.review.standing import NUMBERLESS, Json, Reading, Standing
from raysplay.infer.review.store import Key, ReadStore, StaleReadError, Subject
from raysplay.infer.review.verdicts import Verdicts
from raysplay.infer.review.worklist import Filter


class Desk(ABC):
    """What every review shares.

    Feet and films that the page asks for have numbers from 1; a number that stands for none is an
    :class:`~raysplay.infer.review.refused.UnknownFootError`. Feet and films of the run are numbered from 0.

    Parameters
    ----------
    run : FinishedRun
    store : ReadStore
    films : FilmShelf
    settings : ReviewSettings
    output : ModelOutput
        What this review shows of the model's output.
    construction : str or None
        Before a reader chooses another; by default the run's.
    """

    needs_reader = False
    """Whether initials must be stated before a foot can be looked at."""

    def __init__(
        self,
        run: FinishedRun,
        store: ReadStore,
        films: FilmShelf,
        settings: ReviewSettings,
        output: ModelOutput,
        construction: str | None = None,
    ) -> None:
        self.run, self.store, self.films, self.settings, self.output = run, store, films, settings, output
        self.limits = decision_settings()
        self.gauge = FootGauge(run.measures, run.protocol(), self.limits, settings.hand_placed)
        self.construction = construction or self.gauge.construction
        self.codes = landmark_schema().codes
        self.lineage = Lineage(store)
        self.numbers = FootNumbers(output, self.gauge, self.limits)
        self.contents = Contents(output, self.numbers, self.gauge.constructions, self.construction)
        self._verdicts = Verdicts(self.numbers, self.contents, self.gauge)
        self._answers = FootAnswers(output, self.numbers, self.gauge, self.limits)

    @abstractmethod
    def key(self, number: int, reader: str) -> Key:
        """Key of the foot that the page calls ``number``."""

    @abstractmethod
    def foot_of(self, number: int, reader: str) -> int:
        """Foot of the run that the page calls ``number``."""

    @abstractmethod
    def film_of(self, number: int, reader: str) -> int:
        """Film of the run that the page calls ``number``."""

    @abstractmethod
    def warm_up(self) -> None:
        """Make ready what will be asked for first."""

    @abstractmethod
    def feet(self, reader: str, wanted: Filter, offset: int, limit: int) -> answers.Feet:
        """One page of the worklist, with the counts of every choice."""

    @abstractmethod
    def neighbour(self, number: int, reader: str, wanted: Filter, forward: bool) -> int | None:
        """Number of the next or previous foot; None at the end."""

    @abstractmethod
    def foot(self, number: int, reader: str, wanted: Filter) -> answers.Foot:
        """A foot with all that is known of it."""

    @abstractmethod
    def measure(self, sent: MeasureSent, reader: str) -> answers.MeasuredNow:
        """Measures, axes and grades of points as the page has them; nothing is saved.

        Raises
        ------
        RefusedError
            If the points do not fit the foot, or the page was made for another run.
        """

    @abstractmethod
    def claim(self, number: int, reader: str) -> answers.ClaimState | None:
        """Take a foot in hand, or keep it; None where feet are in nobody's hands.

        Raises
        ------
        ClaimedError
            If another reader has it.
        StoreError
            As the store says.
        """

    @abstractmethod
    def release(self, number: int, reader: str) -> None:
        """Give a foot back; another reader's claim stays."""

    @abstractmethod
    def others(self, number: int, reader: str, text: str) -> answers.Others:
        """Films of the same person and the same foot whose names hold ``text``, in whatever case."""

    @abstractmethod
    def progress(self, reader: str) -> answers.Progress:
        """Feet open and settled, and who settled how many."""

    @abstractmethod
    def check_change(self, reader: str | None, other: str) -> None:
        """Refuse initials that a browser may not state; ``reader`` is for whom it reads.

        Raises
        ------
        RefusedError
        """

    def session(self, reader: str | None) -> answers.Session:
        """What the page needs once."""
        notices = [*self._changes, *self.store.notices]
        told = session_answer(self.run, self.gauge, self.construction, self.limits, self.settings, notices)
        return {**told, "reader": reader}

    @cached_property
    def _changes(self) -> list[str]:
        return self.run.changes()

    def picture(self, number: int, reader: str) -> Picture:
        """Grey values of a film; FilmUnavailableError, in a sentence, where it cannot be shown."""
        return self.films.picture(self.film_of(number, reader))

    def check_run(self, run: str | None = None) -> None:
        """Refuse what belongs to another run than the one that lies in the folder now.

        Raises
        ------
        RefusedError
            If the page was made for another run, or another one was measured into the folder meanwhile.
        """
        if run not in (None, self.run.identity):
            raise RefusedError("this page was made for another run than the server has: reload it. Nothing was saved")
        if not self.run.is_current():
            raise RefusedError(
                "the films were measured anew into this folder: end the review and start it again. Nothing was saved"
            )

    def standing(self, number: int, reader: str) -> Standing:
        """The foot as it stands."""
        foot = self.foot_of(number, reader)
        found = self.store.state(self.key(number, reader))
        return self.contents.standing_of_model(foot) if found is None else self.contents.standing(foot, *found)

    def sent(self, foot: int, standing: Standing, sent: MeasureSent | ReadSent) -> Reading:
        """A foot of the run as the page has it: what was sent, over what stands.

        Raises
        ------
        RefusedError
            If it does not fit the foot.
        """
        return sent_reading(self.output, foot, standing, sent, self.gauge.constructions)

    def save(self, number: int, reader: str, sent: ReadSent) -> Standing:
        """Save a read.

        Raises
        ------
        RefusedError
            If the verdict does not fit the foot or lacks something.
        OvertakenError
            If another read was saved since the page loaded the foot.
        ClaimedError, StoreError
            As the store says.
        """
        self.check_run(sent.run)
        foot, key = self.foot_of(number, reader), self.key(number, reader)
        standing = self.standing(number, reader)
        if sent.version > standing.version == 0:
            raise RefusedError("the page shows a read of this foot, but there is none: load the foot again")
        current = sent.version == standing.version
        # An overtaken read is worked out all the same, so that both can be laid side by side.
        before = standing if current else self.contents.standing_of_model(foot)
        after = self._verdicts.after(foot, before, self.sent(foot, before, sent), sent, reader, check=current)
        facts = self.output.film(foot)
        subject = Subject(facts.name, facts.sha256, int(self.run.foot_index[foot]), self.ground(foot))
        try:
            saved = self.store.save(
                key, sent.version, reader, sent.verdict, subject, standing.content, after, sent.request
            )
        except StaleReadError as stale:
            theirs = theirs_answer(stale.theirs, self.contents.now(foot, stale.theirs.after))
            yours = yours_answer(sent.version, sent.verdict, after)
            raise OvertakenError(f"{stale}: both reads are kept before you until you choose.", theirs, yours) from None
        return self.contents.standing(foot, saved.version, saved.at, saved.reader, saved.after)

    def history(self, number: int, reader: str) -> list[answers.Read]:
        """Every read of a foot that led to what stands, as it was saved, oldest first.

        ``remark`` says what is left out of it now; ``run`` is that of an earlier run's.
        """
        foot, key = self.foot_of(number, reader), self.key(number, reader)
        origins = {} if key.study else self.lineage.origins(key.item)
        return [
            read_answer(entry, self.contents.now(foot, entry.after)["remark"], origins.get(entry.version))
            for entry in self.store.history(key)
        ]

    def ground(self, foot: int) -> Json | None:
        """What a read of a foot is made on, for a later run to compare; None where the model's output is hidden."""
        return None

    def foot_shared(self, number: int, reader: str, standing: Standing) -> answers.FootShared:
        """What every review tells of a foot, but for its numbers."""
        self.check_run()
        foot = self.foot_of(number, reader)
        film = int(self.run.film_of[foot])
        facts, crop = self.run.film(film), self.run.crop(foot)
        return {
            "id": number,
            "run": self.run.identity,
            "foot": standing.side,
            "side_by": standing.side_by,
            "anew": standing.reading.anew,
            "rows": facts.rows,
            "columns": facts.columns,
            "row_mm": facts.row_mm,
            "column_mm": facts.column_mm,
            "aspect": facts.aspect,
            "film_notice": self.films.notice(film) or None,
            "outline": None if crop is None else crop.tolist(),
            "state": standing.state,
            "version": standing.version,
            "construction": standing.construction,
            "points": self._answers.points(foot, standing.reading),
            "note": standing.content["note"],
            "reason": standing.content["reason"],
            "remark": standing.content["remark"],
            "history": self.history(number, reader) if standing.version else [],
        }

    def measurements_standing(self, foot: int, standing: Standing) -> answers.OpenMeasurements:
        """Numbers of a foot of the run as it stands."""
        shown = self.numbers.shown(foot, standing.reading, standing)
        if standing.state in NUMBERLESS:
            shown = without_numbers(shown, standing)
        return self._answers.measurements(foot, shown, standing.reading, self.settings.grading)

    def measurements_sent(
        self, foot: int, standing: Standing, sent: MeasureSent, reader: str
    ) -> answers.OpenMeasurements:
        """Numbers of a foot of the run on points as the page has them."""
        reading = self.sent(foot, standing, sent)
        shown: list[Shown] = looked_at(self.numbers, foot, reading, standing, sent, reader)
        if standing.state in NUMBERLESS and sent.version in (None, standing.version):
            shown = without_numbers(shown, standing)
        return self._answers.measurements(foot, shown, reading, sent.grading or self.settings.grading)
