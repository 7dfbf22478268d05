"""A film taken off the desk because it was dropped by mistake: another person's, a private picture.

What a film leaves behind lies in four places: the desk's database, ``films/``, the run with its ledger, and the store
of reads; beside them in the papers that used it. One row of the desk's database decides: once it is there the film is
none of the desk's, and all else follows, now or at the next start, in steps that can be done again.
"""

from __future__ import annotations

import os
from collections.abc import Iterable

from raysplay.configs.errors import RaysplayError
from raysplay.infer.archive.withdrawn_film import take_out
from raysplay.infer.clinic.desk_folder import DeskFolder
from raysplay.infer.clinic.records import ArrivedFilm, Document, Records
from raysplay.infer.review.withdrawn_reads import take_out_reads

PAPER_ENDINGS = ("html", "pdf")


class UnfinishedWithdrawalError(RaysplayError):
    """A film is off the desk, but something of it is left in the folder; the message says why."""


def papers_of(film: ArrivedFilm, records: Records, called: str) -> list[Document]:
    """Papers that stand on a film, the latest first.

    Of a paper by an earlier version, which did not note its films: whether its person ever was this film's, and it was
    written since the film came.

    Parameters
    ----------
    film : ArrivedFilm
    records : Records
    called : str
        The person whose film it is now; empty where nobody says so.
    """
    used = records.used()
    persons = {called, *(one.stated.get("person", "") for one in records.history(film.number))} - {""}

    def stands(paper: Document) -> bool:
        if paper.id in used:
            return film.number in used[paper.id]
        return paper.person in persons and paper.at >= film.arrived

    return [one for one in records.documents() if stands(one)]


def finish(records: Records, folder: DeskFolder) -> None:
    """Take away what is left of films and papers that are off the desk; nothing where nothing is.

    No run may be open, and none may be measured into meanwhile.

    Raises
    ------
    UnfinishedWithdrawalError
        If something could not be taken away; called again, it goes on.
    """
    try:
        for one in records.withdrawals():
            if one.sha256:
                take_out_reads(folder.run, one.sha256, one.name)
                (folder.films / one.name).unlink(missing_ok=True)
                _on_disk(folder.films)
                take_out(folder.run, one.name)
        papers = _delete_noted(records, folder)
        gone = [one for one in records.withdrawals() if not one.swept]
        for one in gone:
            records.forget_withdrawn(one.number)
        if gone or papers:
            records.sweep()
    except OSError as error:
        raise UnfinishedWithdrawalError(_unfinished(error.strerror or "the system refuses")) from error
    except RaysplayError as error:
        raise UnfinishedWithdrawalError(_unfinished(str(error))) from error


def delete_papers(records: Records, folder: DeskFolder) -> None:
    """Delete the files of papers that were noted as deleted.

    Raises
    ------
    UnfinishedWithdrawalError
        If one could not be deleted; called again, it goes on.
    """
    try:
        _delete_noted(records, folder)
        records.sweep()
    except OSError as error:
        raise UnfinishedWithdrawalError(f"A file could not be deleted ({error.strerror}). Delete it by hand") from error


def _delete_noted(records: Records, folder: DeskFolder) -> bool:
    noted = [one for one in records.deletions().values() if not one.swept]
    _delete_files(folder, [found for one in noted if (found := records.document(one.document)) is not None])
    return bool(noted)


def _delete_files(folder: DeskFolder, papers: Iterable[Document]) -> None:
    for paper in papers:
        for ending in PAPER_ENDINGS:
            (folder.documents / f"{paper.name}.{ending}").unlink(missing_ok=True)
        _on_disk(folder.documents)


def _on_disk(folder: os.PathLike[str]) -> None:
    """Have the system keep what was taken out of a folder, where it can."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _unfinished(why: str) -> str:
    return (
        f"A film was taken off the desk, but not all of it could be removed from the folder yet ({why}). "
        "Once that is mended, start the desk again: it goes on by itself before it shows or measures anything"
    )
