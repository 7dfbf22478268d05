"""Reports of a run as files: whole, for their owner alone, and nothing replaced unasked."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from pathlib import Path

from raysplay.configs.errors import RaysplayError
from raysplay.infer.outputs.folder_lock import FolderInUseError, FolderLock
from raysplay.infer.outputs.owner_only import make_folder
from raysplay.infer.outputs.whole_file import write_whole

_NAMED = 8
"""Files that an error names."""


class ReportFolderError(RaysplayError, ValueError):
    """A folder that cannot take the reports; the message names it and says why."""


def check_free(folder: Path, names: Collection[str], *, overwrite: bool) -> None:
    """Refuse names that differ by capitals alone, and a folder that holds a file of such a name.

    Raises
    ------
    ReportFolderError
    """
    if len({name.lower() for name in names}) < len(names):
        raise ReportFolderError("two persons would share one file; call them otherwise in the table of conditions")
    there = [name for name in names if os.path.lexists(folder / name)]
    odd = [name for name in there if os.path.islink(folder / name) or not os.path.isfile(folder / name)]
    if odd:
        raise ReportFolderError(f"{folder}: holds {odd[0]}, which is no file; choose another folder")
    if there and not overwrite:
        more = f" and {len(there) - 1} more" if len(there) > 1 else ""
        raise ReportFolderError(f"{folder}: holds {there[0]}{more} already; choose another folder or pass --overwrite")


def standing(folder: Path, files: Mapping[str, bytes]) -> frozenset[str]:
    """Names of the files that lie in a folder with the very bytes that would be written."""
    return frozenset(name for name, content in files.items() if _holds(folder / name, content))


def _holds(path: Path, content: bytes) -> bool:
    if path.is_symlink() or not path.is_file():
        return False
    try:
        return path.stat().st_size == len(content) and path.read_bytes() == content
    except OSError:
        return False


def check_current(folder: Path, files: Mapping[str, bytes]) -> None:
    """Refuse a folder whose reports are of another state than they would be written in now.

    Raises
    ------
    ReportFolderError
        Naming them.
    """
    there = {name for name in files if os.path.lexists(folder / name)}
    if other := sorted(there - standing(folder, files)):
        more = f" and {len(other) - _NAMED} more" if len(other) > _NAMED else ""
        raise ReportFolderError(
            f"{folder}: {', '.join(other[:_NAMED])}{more} would be written otherwise now: since then films, reads, "
            "statements or options are others, or somebody changed the file. Do not use it as it is. Pass --overwrite "
            "to write the reports anew, or choose another folder"
        )


def write_reports(folder: Path, files: Mapping[str, bytes], *, overwrite: bool) -> None:
    """Write all files, each whole or not at all.

    Parameters
    ----------
    folder : Path
        Made if missing.
    files : mapping of str to bytes
        By name.
    overwrite : bool

    Raises
    ------
    ReportFolderError
        If the folder cannot be written, or holds one of the files and they may not be replaced.
    """
    try:
        make_folder(folder)
        with FolderLock(folder):
            check_free(folder, files, overwrite=overwrite)
            for name, content in files.items():
                write_whole(folder / name, content)
    except FolderInUseError as error:
        raise ReportFolderError(str(error)) from None
    except OSError as error:
        raise ReportFolderError(f"{folder}: cannot be written ({error.strerror})") from error
