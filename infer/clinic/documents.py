"""Reports and letters of a desk: looked at, written, and told from those that are stale."""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime
from pathlib import Path

from raysplay.configs.load import shipped
from raysplay.configs.new_film_error import read_new_film_errors
from raysplay.infer.clinic.clinic import Clinic, ground_of
from raysplay.infer.clinic.handed_out import HandedOut, Page
from raysplay.infer.clinic.records import Document
from raysplay.infer.clinic.requests import DocumentSent
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.report.document import Block
from raysplay.infer.report.pdf_file import Paper, pdf_file
from raysplay.infer.report.web_page import web_page
from raysplay.infer.review.refused import RefusedError
from raysplay.infer.review.settings import review_settings
from raysplay.infer.visit.language import Language, language
from raysplay.infer.visit.letter import FIELDS, letter_of
from raysplay.infer.visit.persons import Person
from raysplay.infer.visit.plain_sheet import plain_sheet_of
from raysplay.infer.visit.report import ReportGround, foot_words, report_of, unconfirmed
from raysplay.infer.visit.signed import Signed
from raysplay.infer.visit.technique_card import technique_card
from raysplay.infer.visit.written import ReportFolderError, write_reports

_TYPES = {"html": "text/html; charset=utf-8", "pdf": "application/pdf"}
_TITLES = {"report": "title", "letter": "letter_title", "sheet": "plain_title"}


class Documents:
    """What is written of the persons of a desk."""

    def __init__(self, clinic: Clinic, handed: HandedOut) -> None:
        self._clinic, self._handed = clinic, handed

    def report_ground(self, words: Language) -> ReportGround:
        """What every report stands on now.

        Raises
        ------
        RefusedError
            If nothing was measured yet.
        """
        desk = self._clinic.desk
        if desk is None:
            raise RefusedError("no film was measured yet")
        errors = read_new_film_errors(shipped("new_film_error.yaml"))
        hand = review_settings().hand_placed
        run = desk.run
        return ReportGround(run.identity[:12], run.folder, run.protocol(), decision_settings(), hand, errors, words)

    def look(self, called: str, sent: DocumentSent, by: str) -> tuple[str, str]:
        """Addresses of a draft, as page and as PDF; a draft is never confirmed, and nothing is kept.

        Raises
        ------
        RefusedError, UnknownFootError
        """
        title, blocks = self._blocks(called, sent, Signed(by, _now()))
        return self._hand_out("draft", title, blocks, sent.paper)

    def write(self, called: str, sent: DocumentSent, by: str, words: Language) -> Document:
        """Write a report or a letter, as page and as PDF; a refusal names feet in ``words``.

        Raises
        ------
        RefusedError
            If it is to be confirmed and is not what the page showed, or holds numbers that nobody confirmed; or if it
            cannot be kept. Nothing is written then.
        UnknownFootError
        """
        with self._clinic.papers:
            return self._write(called, sent, by, words)

    def _write(self, called: str, sent: DocumentSent, by: str, words: Language) -> Document:
        person, left = self._clinic.person(called)
        ground = ground_of(person, left)
        if sent.confirm:
            if sent.ground != ground:
                raise RefusedError(
                    "not written: numbers or statements of this person were changed since this page loaded them. "
                    "Load them again, and look at the draft before you confirm it"
                )
            if open_feet := unconfirmed_feet(person, words):
                raise RefusedError(f"not written: confirm these feet first: {'; '.join(open_feet)}")
        signed = Signed(by, _now(), sent.confirm)
        title, blocks = self._blocks(called, sent, signed)
        name = self._free_name(called, sent.kind, signed.at)
        files = {
            f"{name}.html": web_page(title, blocks).encode("utf-8"),
            f"{name}.pdf": pdf_file(title, blocks, sent.paper),
        }
        try:
            write_reports(self._clinic.folder.documents, files, overwrite=False)
        except ReportFolderError as error:
            raise RefusedError(f"not written: {error}") from error
        one = Document(
            0, called, sent.kind, sent.language, signed.at, by, sent.confirm, ground, dict(sent.fields), name
        )
        return self._clinic.records.add_document(one, self._clinic.films_of(called))

    def addresses(self, document: Document) -> tuple[str | None, str | None]:
        """Addresses of what was written, as page and as PDF; None where a file is gone."""
        found = []
        for ending, media in _TYPES.items():
            path = self._clinic.folder.documents / f"{document.name}.{ending}"
            there = path.is_file()
            found.append(self._handed.hand_out(Page(path.name, media, path.read_bytes)) if there else None)
        return found[0], found[1]

    def forget_addresses(self) -> None:
        """What was handed out may hold what is gone: it is opened anew from the page."""
        self._handed.forget()

    def card(self, name: str, paper: Paper) -> tuple[str, str]:
        """Addresses of the card on taking films, as page and as PDF."""
        words = language(name)
        return self._hand_out("technique-card", words.say("card_title"), technique_card(words), paper)

    def _blocks(self, called: str, sent: DocumentSent, signed: Signed) -> tuple[str, list[Block]]:
        words = language(sent.language)
        if unknown := sent.fields.keys() - set(FIELDS):
            raise RefusedError(f"there is no field {sorted(unknown)[0]!r}")
        person, left = self._clinic.person(called)
        if not person.feet:
            raise RefusedError("no foot of this person has a day and a side: state the day of a film first")
        ground = self.report_ground(words)
        title = words.say(_TITLES[sent.kind], person=called)
        if sent.kind == "letter":
            return title, letter_of(person, left, ground, sent.fields, signed)
        remarks = sent.fields.get("remarks", "")
        if sent.kind == "sheet":
            return title, plain_sheet_of(person, ground, remarks, signed)
        return title, report_of(person, left, ground, remarks, signed)

    def _hand_out(self, name: str, title: str, blocks: list[Block], paper: Paper) -> tuple[str, str]:
        page = web_page(title, blocks).encode("utf-8")
        return (
            self._handed.hand_out(Page(f"{name}.html", _TYPES["html"], lambda: page)),
            self._handed.hand_out(Page(f"{name}.pdf", _TYPES["pdf"], lambda: pdf_file(title, blocks, paper))),
        )

    def _free_name(self, called: str, kind: str, at: str) -> str:
        """A name that no file has; a person's code holds no sign that a path could."""
        moment = re.sub(r"[^0-9]", "", at)[:14]
        stem = f"{called.replace(' ', '_')}_{kind}_{moment}"
        name, number = stem, 2
        while any(os.path.lexists(Path(self._clinic.folder.documents) / f"{name}.{ending}") for ending in _TYPES):
            name, number = f"{stem}_{number}", number + 1
        return name


def unconfirmed_feet(person: Person, words: Language) -> list[str]:
    """Feet with numbers that nobody stands for, in words."""
    return [foot_words(one, words) for one in person.feet if unconfirmed(one)]


def stale(document: Document, ground: str) -> bool:
    """Whether a number, or what is stated, is another one than when it was written."""
    return document.ground != ground


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
