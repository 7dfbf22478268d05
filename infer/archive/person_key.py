"""Where the key lies by which persons are coded (:mod:`raysplay.infer.films.person`), so that a run can go on.

Films that a later call adds must get the codes of the films before, so the key is kept as long as the run. It never
lies in the folder of the run: whoever is given that folder must not be able to try out identifiers. The ledger knows
only a mark of the key.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
from pathlib import Path

from raysplay.infer.films.person import new_key
from raysplay.infer.outputs.owner_only import FILE_MODE, make_folder
from raysplay.infer.outputs.run_folder import RunFolderError

_KEY = re.compile(r"[0-9a-f]{64}")
_MARKED = b"raysplay: mark of a key"


class KeyGoneError(RunFolderError):
    """The key of a run is not where it was.

    Parameters
    ----------
    place : Path
        Where it should lie.
    """

    def __init__(self, place: Path) -> None:
        super().__init__(
            f"{place}: the key by which this run codes persons is not there; films that are added would get other "
            "codes. Bring it back, name it with --person-key, or measure all films again with --overwrite"
        )
        self.place = place


def usual_place(identity: str) -> Path:
    """Where the key of a ledger lies: in the user's own folder for what programs keep (XDG Base Directory
    Specification, ``XDG_STATE_HOME``)."""
    base = os.environ.get("XDG_STATE_HOME") or os.path.expanduser("~/.local/state")
    return Path(base, "raysplay", "keys", f"{identity}.key")


def mark(key: str) -> str:
    """By which a key is known again; it tells nothing of the key (HMAC-SHA256, RFC 2104)."""
    return hmac.new(bytes.fromhex(key), _MARKED, hashlib.sha256).hexdigest()[:16]


def person_key(place: Path, folder: Path, marked: str) -> str:
    """The key in a file, which is made if the run has none yet.

    Parameters
    ----------
    place : Path
    folder : Path
        Of the run.
    marked : str
        Mark of the key that the run began with; empty for a run that begins.

    Raises
    ------
    RunFolderError
        If it is not that key, or cannot be read, or it cannot be made outside of the folder.
    KeyGoneError
        If there is no such file, and the run began with a key.
    """
    if place.absolute().is_relative_to(folder.absolute()):
        raise RunFolderError(f"{place}: the key must not lie in the folder of the run")
    try:
        if not place.exists() and not marked:
            make_folder(place.absolute().parent)
            handle = os.open(place, os.O_CREAT | os.O_EXCL | os.O_WRONLY, FILE_MODE)
            with os.fdopen(handle, "w", encoding="ascii") as stream:
                stream.write(f"{new_key()}\n")
        key = place.read_text(encoding="ascii").strip()
    except FileNotFoundError:
        raise KeyGoneError(place) from None
    except (OSError, UnicodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is no key"
        raise RunFolderError(
            f"{place}: the key for codes of persons cannot be used ({why}); see --person-key"
        ) from error
    if not _KEY.fullmatch(key):
        raise RunFolderError(f"{place}: is no key for codes of persons (64 hexadecimal digits)")
    if marked and mark(key) != marked:
        raise RunFolderError(
            f"{place}: is not the key that this run began with; films that are added would get other codes"
        )
    return key
