"""The folder of an agreement: whole files for their owner alone, and nothing replaced that no agreement wrote."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path

from raysplay.configs.plain_file import read_plain
from raysplay.infer.outputs.folder_lock import FolderInUseError, FolderLock
from raysplay.infer.outputs.owner_only import make_folder, owner_only
from raysplay.infer.outputs.whole_file import write_whole

ABOUT = "agreement.json"
"""Says what was compared and lists the files that were written; the sign of a whole folder, written last."""

_FILES = "files"
_MOST_BYTES = 2**24


class OutputFolderError(ValueError):
    """A folder that cannot take an agreement; the message names it and says why."""


def check_folder(folder: Path, *, overwrite: bool) -> None:
    """Refuse, before any work, a folder that could not be written later.

    Raises
    ------
    OutputFolderError
        If it cannot be made or written, or holds an earlier agreement that may not be replaced.
    """
    there = folder.absolute()
    while not os.path.lexists(there):
        there = there.parent
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        raise OutputFolderError(f"{folder}: cannot be written ({there} is no folder that may be written)")
    if os.path.lexists(folder / ABOUT):
        if not overwrite:
            raise OutputFolderError(f"{folder}: holds an earlier agreement; choose another folder or pass --overwrite")
        _written(folder)


def write_folder(folder: Path, files: Mapping[str, bytes], about: Mapping[str, object], *, overwrite: bool) -> None:
    """Write all files, each whole or not at all, and what an earlier agreement left over is removed.

    Parameters
    ----------
    folder : Path
        Made if missing.
    files : mapping of str to bytes
        By path below the folder.
    about : mapping
        What else :data:`ABOUT` shall say.
    overwrite : bool

    Raises
    ------
    OutputFolderError
        If the folder cannot be written, holds an earlier agreement or a file of such a name that none wrote, or another
        program is writing into it.
    """
    try:
        with owner_only():
            make_folder(folder)
            with FolderLock(folder):
                check_folder(folder, overwrite=overwrite)
                earlier = _written(folder) if os.path.lexists(folder / ABOUT) else {}
                for name in files:
                    if os.path.lexists(folder / name) and name not in earlier:
                        raise OutputFolderError(
                            f"{folder}: holds {name}, which no agreement wrote; choose another folder"
                        )
                (folder / ABOUT).unlink(missing_ok=True)
                for name in earlier.keys() - files.keys():
                    (folder / name).unlink(missing_ok=True)
                for name, content in files.items():
                    write_whole(folder / name, content)
                digests = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
                text = json.dumps({**about, _FILES: digests}, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
                write_whole(folder / ABOUT, text.encode("utf-8"))
    except FolderInUseError as error:
        raise OutputFolderError(str(error)) from None
    except OSError as error:
        raise OutputFolderError(f"{folder}: cannot be written ({error.strerror})") from error


def _written(folder: Path) -> dict[str, str]:
    """Digests of what an earlier agreement wrote, by path below the folder; never one that leads out of it."""
    try:
        listed = json.loads(read_plain(folder / ABOUT, _MOST_BYTES))[_FILES]
        return {str(name): str(digest) for name, digest in listed.items() if _below(folder, str(name))}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise OutputFolderError(f"{folder}: holds {ABOUT}, which no agreement wrote; choose another folder") from error


def _below(folder: Path, name: str) -> bool:
    return (folder / name).resolve().is_relative_to(folder.resolve()) and not Path(name).is_absolute()
