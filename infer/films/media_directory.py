"""Reads which files a DICOM directory (DICOMDIR, PS3.3 annex F) lists, so that those that are missing get a row."""

from __future__ import annotations

from collections.abc import Callable

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.settings import FilmLimits
from raysplay.infer.reason import ReasonKind

_CLASS = b"1.2.840.10008.1.3.10"
"""Media Storage Directory Storage (PS3.6, table A-1)."""

Reference = tuple[str, ...]
"""Parts of the path of a file, from the folder of the directory on."""


def is_directory(head: bytes) -> bool:
    """Whether a DICOM file that begins so is a directory, by its file meta information."""
    return head[128:132] == b"DICM" and _CLASS in head


def references(content: bytes, limits: FilmLimits) -> list[Reference]:
    """Files that the records in use of a directory refer to, each once, in the order of the records.

    Raises
    ------
    FilmRejected
        If the directory cannot be read, is too large, or refers to more files than the limits allow.
    """
    # It brings pydicom with it, which takes long to import and which only a directory needs here.
    from raysplay.infer.films.header import items, read_header, texts

    try:
        ds, _, _ = read_header(content, bare=False)
        found: dict[Reference, None] = {}
        for record in items(ds, "DirectoryRecordSequence"):
            parts = tuple(texts(record, "ReferencedFileID"))
            if parts and record.get("RecordInUseFlag", 0xFFFF) != 0:  # PS3.3, F.3.2.2: 0 is inactive, and retired
                found[parts] = None
            if len(found) > limits.max_directory_files:
                said = f"a DICOM directory (DICOMDIR) of more than {limits.max_directory_files} files"
                raise FilmRejected(said, ReasonKind.CONTAINER)
    except RecursionError:
        said = "a DICOM directory (DICOMDIR) that cannot be read: nested too deeply"
        raise FilmRejected(said, ReasonKind.CONTAINER) from None
    return list(found)


def follow(reference: Reference, exists: Callable[[str], bool], listed: Callable[[str], list[str]]) -> str | None:
    """Where a referenced file is, as a path with forward slashes; None where it is not there or leads elsewhere.

    The standard has capitals only (PS3.10, 8.2); file systems of media often show small letters, and ISO 9660 a version
    ``;1``: these are taken for the same (common practice, no source).

    Parameters
    ----------
    reference : tuple of str
    exists : callable
        Whether there is a file of that path.
    listed : callable
        Names in the folder of that path; empty where it is none.
    """
    if any(part in ("", ".", "..") or set(part) & set("/\\\0") for part in reference):
        return None
    plain = "/".join(reference)
    if exists(plain):
        return plain
    found = ""
    for part in reference:
        names = sorted(name for name in listed(found) if _plain(name) == _plain(part))
        if not names:
            return None
        found = f"{found}/{names[0]}" if found else names[0]
    return found if exists(found) else None


def _plain(name: str) -> str:
    return name.casefold().removesuffix(";1").removesuffix(".")
