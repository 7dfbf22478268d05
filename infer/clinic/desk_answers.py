"""The desk as its page is told: films, persons, what was written."""

from __future__ import annotations

from collections import Counter, defaultdict
from math import isfinite

from raysplay.infer.clinic import answers
from raysplay.infer.clinic.clinic import Clinic, ground_of
from raysplay.infer.clinic.documents import Documents, stale, unconfirmed_feet
from raysplay.infer.clinic.records import ArrivedFilm, Document, Statement
from raysplay.infer.decide.wording import DECIMALS
from raysplay.infer.films.loading import told
from raysplay.infer.outputs.finished_run import FilmFacts
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.review.refused import RefusedError, UnknownFootError
from raysplay.infer.review.worklist import OPEN
from raysplay.infer.user_table import UserTableError
from raysplay.infer.visit.language import Language
from raysplay.infer.visit.report import how_taken, verdict_words
from raysplay.infer.visit.timeline import Step, timeline
from raysplay.measure import by_name
from raysplay.measure.definition import DEGREE

_STATED = {
    "person": "", "person_by": "", "taken": "", "worn": "", "loading": "", "tilt": None, "surgery": "", "note": "",
    "stance": "", "beam": "", "distance": None, "marker": "",
}  # fmt: skip


class DeskAnswers:
    """Answers to the desk's page, in one language."""

    def __init__(self, clinic: Clinic, documents: Documents, words: Language) -> None:
        self._clinic, self._documents, self.words = clinic, documents, words

    def state(self, reader: str | None) -> answers.ClinicState:
        """The desk as a whole."""
        clinic, words = self._clinic, self.words
        desk, far = clinic.desk, clinic.measuring.how_far
        called = self._called()
        open_feet, settled = (0, 0)
        if desk is not None:
            rows = desk.progress("")
            open_feet, settled = rows["open"] - rows["files"]["open"], rows["done"] - rows["files"]["done"]
        return {
            "reader": reader,
            "films": len(clinic.records.films()),
            "withdrawn": len(clinic.records.withdrawals()),
            "waiting": len(clinic.waiting()),
            "measuring": {"stage": far.stage, "done": far.done, "total": far.total, "error": words.phrase(far.error)},
            "measured": "" if desk is None else desk.run.identity,
            "trouble": words.phrase(clinic.trouble),
            "persons": len({one for one in called.values() if one}),
            "nobody": sum(not one for one in called.values()),
            "open": open_feet,
            "settled": settled,
            "upload_bytes": clinic.settings.upload_bytes,
        }

    def films(self, text: str, person: str | None = None) -> answers.ClinicFilms:
        """Films whose names or persons hold a text, in whatever case, the latest first."""
        called = self._called()
        wanted = text.lower()
        found = [
            one
            for one in self._all(called)
            if (person is None or one["person"] == person)
            and any(wanted in one[part].lower() for part in ("name", "given", "person"))
        ]
        found.sort(key=lambda one: -one["number"])
        return {"total": len(found), "films": found[: self._clinic.settings.listed_films]}

    def film(self, number: int) -> answers.ClinicFilm:
        """One film; UnknownFootError where there is none."""
        self._clinic.arrived(number)
        return next(one for one in self._all(self._called()) if one["number"] == number)

    def persons(self) -> list[answers.ClinicPerson]:
        """All persons, those with the latest films first."""
        by_person: dict[str, list[answers.ClinicFilm]] = defaultdict(list)
        for one in self._all(self._called()):
            if one["person"]:
                by_person[one["person"]].append(one)
        written = Counter(one.person for one in self._clinic.records.documents())
        found: list[answers.ClinicPerson] = [
            {
                "called": called,
                "films": len(films),
                "last": max(one["taken"] for one in films),
                "open": sum(foot["state"] == OPEN and foot["found"] for one in films for foot in one["feet"]),
                "documents": written[called],
            }
            for called, films in by_person.items()
        ]
        return sorted(found, key=lambda one: (one["last"], one["called"]), reverse=True)

    def person(self, called: str) -> answers.OnePerson:
        """One person; UnknownFootError where there is none."""
        person, left = self._clinic.person(called)
        words = self.words
        ground = ground_of(person, left)
        films = [one for one in self._all(self._called()) if one["person"] == called]
        written = self._clinic.records.documents(called)
        gone = self._clinic.records.deletions()
        letters = [one for one in written if one.kind == "letter" and one.id not in gone]
        mine = [one for one in left if one.person == called]
        steps: list[answers.ClinicStep] = []
        if person.feet:
            report = self._documents.report_ground(words)
            for side in ("R", "L"):
                feet = person.of_side(side)
                for name in dict.fromkeys(one.measure.name for foot in feet for one in foot.shown):
                    line = timeline(name, feet, report.new_films, report.protocol.change, report.level)
                    steps += [_step(side, name, one, False, words) for one in line.steps if not one.whole]
                    steps += [_step(side, name, one, True, words) for one in line.positional]
        return {
            "called": called,
            "ground": ground,
            "films": sorted(films, key=lambda one: (one["taken"] or "9999", one["number"])),
            "steps": steps,
            "unconfirmed": unconfirmed_feet(person, words),
            "left_out": [words.say("left_out_film", film=one.film, why=words.phrase(one.why)) for one in mine],
            "reportable": bool(person.feet),
            "documents": [self.document(one, ground) for one in written],
            "letter": letters[0].fields if letters else {},
        }

    def document(self, one: Document, ground: str) -> answers.ClinicDocument:
        """What was written, with addresses to open it."""
        page, pdf = self._documents.addresses(one)
        records = self._clinic.records
        deleted = records.deletions().get(one.id)
        gone = records.used().get(one.id, set()) & {film.number for film in records.withdrawals()}
        return {
            "id": one.id,
            "person": one.person,
            "kind": one.kind,  # type: ignore[typeddict-item]
            "language": one.language,
            "at": one.at,
            "by": one.by,
            "confirmed": one.confirmed,
            "stale": bool(gone) or stale(one, ground),
            "withdrawn": bool(gone),
            "deleted_at": deleted.at if deleted else "",
            "deleted_by": deleted.by if deleted else "",
            "name": one.name,
            "page": page,
            "pdf": pdf,
        }

    def papers(self, found: list[Document]) -> list[answers.ClinicDocument]:
        """Papers of whichever persons, each told from what stands of its person now."""
        return [self.document(one, self._ground(one.person)) for one in found]

    def _ground(self, called: str) -> str:
        try:
            return ground_of(*self._clinic.person(called))
        except (UnknownFootError, UserTableError):  # nobody is called so any more, or it cannot be told who is
            return ""

    def withdrawn(self) -> list[answers.ClinicWithdrawn]:
        """Films that were taken off the desk, the latest first."""
        records = self._clinic.records
        used, written = records.used(), records.documents()
        return [
            {
                "number": one.number,
                "at": one.at,
                "by": one.by,
                "why": one.why,  # type: ignore[typeddict-item]
                "papers": self.papers([paper for paper in written if one.number in used.get(paper.id, ())]),
            }
            for one in records.withdrawals()
        ]

    def stated(self, one: Statement) -> answers.Stated:
        """A statement, whole."""
        known = {name: one.stated.get(name, default) for name, default in _STATED.items()}
        return {"version": one.version, "at": one.at, "by": one.by, **known}  # type: ignore[typeddict-item]

    def _called(self) -> dict[str, str]:
        try:
            return self._clinic.called()
        except UserTableError as error:  # files that came later say otherwise than what was stated
            raise RefusedError(f"Persons cannot be told apart: {error}") from None

    def _all(self, called: dict[str, str]) -> list[answers.ClinicFilm]:
        """Every film of the desk; a file that holds several frames is one."""
        clinic, desk = self._clinic, self._clinic.desk
        films: dict[str, tuple[int, FilmFacts]] = {}
        feet: dict[str, list[answers.ClinicFoot]] = defaultdict(list)
        if desk is not None:
            desk.progress("")  # takes over reads that were saved since
            facts = [desk.run.film(number) for number in range(desk.run.film_count)]
            for number, one in enumerate(facts):
                films.setdefault(one.name.split("/")[0], (number, one))
            for foot in range(len(desk.run)):
                feet[facts[int(desk.run.film_of[foot])].name.split("/")[0]].append(_foot(desk, foot, self.words))
        statements = clinic.records.statements()
        return [
            self._film(
                one, films.get(one.name), statements.get(one.number, Statement(one.number)), called, feet[one.name]
            )
            for one in clinic.records.films()
        ]

    def _film(
        self,
        one: ArrivedFilm,
        known: tuple[int, FilmFacts] | None,
        statement: Statement,
        called: dict[str, str],
        feet: list[answers.ClinicFoot],
    ) -> answers.ClinicFilm:
        facts = None if known is None else known[1]
        stated = self.stated(statement)
        file_loading = (told(facts.loading) or "") if facts is not None else ""
        return {
            "number": one.number,
            "name": one.name,
            "given": one.given,
            "arrived": one.arrived,
            "by": one.by,
            "here": (self._clinic.folder.films / one.name).exists(),
            "measured": facts is not None,
            "film_id": None if known is None else known[0] + 1,
            "person": "" if facts is None else called.get(facts.name, ""),
            "file_person": "" if facts is None else facts.person[:6],
            "taken": stated["taken"] or ("" if facts is None else facts.taken),
            "file_taken": "" if facts is None else facts.taken,
            "file_loading": file_loading,
            "loading": stated["loading"] or file_loading,
            "stated": stated,
            "feet": feet,
        }


def _step(side: str, name: str, step: Step, positional: bool, words: Language) -> answers.ClinicStep:
    measure, change = by_name(name), step.change
    unit = words.say(f"unit_{measure.unit}")
    compared = isfinite(change.difference) and not change.reasons
    return {
        "side": side,
        "measure": measure.abbreviation,
        "first": step.first.taken,
        "second": step.second.taken,
        "first_how": how_taken(step.first, words),
        "second_how": how_taken(step.second, words),
        "difference": f"{words.signed(change.difference, DECIMALS[measure.unit])} {unit}".strip() if compared else "",
        "verdict": verdict_words(step, words),
        "positional": positional,
    }


def _foot(desk: OpenDesk, foot: int, words: Language) -> answers.ClinicFoot:
    row = desk.worklist.row(foot)
    numbers = []
    for measure in desk.run.measures:
        value = row["values"][measure.name]["value"]
        if value is not None:
            unit = "" if measure.unit == DEGREE else words.say(f"unit_{measure.unit}")
            numbers.append(f"{measure.abbreviation} {words.number(value, DECIMALS[measure.unit])} {unit}".strip())
    return {
        "id": foot + 1,
        "foot": row["foot"],
        "state": row["state"],
        "decision": row["decision"],
        "found": bool(row["foot"]) or row["decision"] != "refused",
        "numbers": numbers,
        "reasons": [words.phrase(one["text"]) for one in row["reasons"]],
    }
