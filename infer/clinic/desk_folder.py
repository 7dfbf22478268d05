"""The folder of a desk: films, their run with its reads, what was stated of them, and what was written.

Everything in it concerns persons, so it is for its owner alone.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from raysplay.configs.errors import RaysplayError
from raysplay.infer.outputs.owner_only import make_folder


class DeskFolderError(RaysplayError):
    """A folder that cannot be a desk; the message names it and says why."""

    exit_status = 2


@dataclass(frozen=True)
class DeskFolder:
    """Where everything of a desk lies.

    Attributes
    ----------
    path : Path
    """

    path: Path

    @property
    def films(self) -> Path:
        """Films, under names that the desk gave them."""
        return self.path / "films"

    @property
    def arriving(self) -> Path:
        """Files that are not whole yet."""
        return self.path / "arriving"

    @property
    def run(self) -> Path:
        """What was measured, with the reads."""
        return self.path / "run"

    @property
    def documents(self) -> Path:
        """Reports and letters."""
        return self.path / "documents"

    @property
    def records(self) -> Path:
        """Which films came, what was stated of them, what was written."""
        return self.path / "desk.sqlite"

    @property
    def language(self) -> Path:
        """Name of the language in which it opens."""
        return self.path / "language"

    def make(self) -> None:
        """Make what is missing, for the owner alone.

        Raises
        ------
        DeskFolderError
        """
        try:
            for folder in (self.path, self.films, self.arriving, self.documents):
                make_folder(folder)
        except OSError as error:
            raise DeskFolderError(f"{self.path}: cannot be a desk ({error.strerror})") from error

    def clear(self) -> None:
        """Take away what was left half there; only where no other program has the desk open.

        Raises
        ------
        DeskFolderError
        """
        try:
            for left in self.arriving.iterdir():
                left.unlink(missing_ok=True)
        except OSError as error:
            raise DeskFolderError(f"{self.path}: cannot be a desk ({error.strerror})") from error


def usual_desk() -> Path:
    """Where the desk lies unless told otherwise: user data by the XDG Base Directory Specification 0.8."""
    given = os.environ.get("XDG_DATA_HOME", "")
    home = Path(given) if os.path.isabs(given) else Path.home() / ".local" / "share"
    return home / "raysplay" / "desk"
