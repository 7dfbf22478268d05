"""The language in which a desk opens: kept in its folder, since a browser forgets a page whose port is another one."""

from __future__ import annotations

from raysplay.infer.clinic.desk_folder import DeskFolder, DeskFolderError
from raysplay.infer.outputs.whole_file import write_whole
from raysplay.infer.visit.language import ENGLISH, languages

_MOST_BYTES = 100


def desk_language(folder: DeskFolder) -> str:
    """The language that was chosen; English where none was, or where there are no words in it."""
    try:
        with folder.language.open("rb") as stream:
            chosen = stream.read(_MOST_BYTES).decode("ascii", "replace").strip()
    except OSError:
        return ENGLISH
    return chosen if chosen in languages() else ENGLISH


def choose_language(folder: DeskFolder, name: str) -> None:
    """Keep a language for this start and later ones.

    Raises
    ------
    DeskFolderError
        If it cannot be kept.
    """
    try:
        write_whole(folder.language, f"{name}\n".encode("ascii"))
    except OSError as error:
        raise DeskFolderError(f"the language could not be kept ({error.strerror or 'the system refuses'})") from error
