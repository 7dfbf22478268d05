"""Names of films that lie within other files: a member of a ZIP archive, a frame of a DICOM object.

``study.zip!/IM/1`` is the member ``IM/1`` of ``study.zip``; ``cine.dcm!/frame-3`` the third frame of ``cine.dcm``;
``study.zip!/cine.dcm!/frame-3`` both. As paths they are ordinary ones that lead nowhere, so they go wherever a path or
a film's name goes, and a file that does lie there comes first.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

MARK = "!"
"""What the name of a file that holds others ends in where it stands for a folder."""

_FRAME = re.compile(r"(?:(?P<before>.*)!/)?frame-(?P<number>[1-9][0-9]{0,6})", re.DOTALL)


@dataclass(frozen=True)
class Place:
    """Where the bytes of a film are.

    Attributes
    ----------
    file : Path
        The file on the disk.
    inside : str
        Name within it, with forward slashes; empty for the file itself.
    """

    file: Path
    inside: str = ""


def place_of(path: Path) -> Place:
    """Where the film of a path is; a path that leads nowhere at all is a file that is not there."""
    if MARK not in str(path) or os.path.lexists(path):
        return Place(path)
    for above in reversed(path.parents):
        if above.name.endswith(MARK) and len(above.name) > 1 and not os.path.lexists(above):
            file = above.with_name(above.name[:-1])
            if file.is_file():
                return Place(file, path.relative_to(above).as_posix())
    return Place(path)


def within(holder: Path, inside: str) -> Path:
    """The path of what lies within a file."""
    return holder.with_name(holder.name + MARK) / inside


def frame_path(holder: Path, number: int) -> Path:
    """The path of a frame, counted from 1."""
    return within(holder, f"frame-{number}")


def split_frame(inside: str) -> tuple[str, int | None]:
    """A name within a file as the name of what holds the frame, and the frame's number; None where it names none."""
    found = _FRAME.fullmatch(inside)
    return (found["before"] or "", int(found["number"])) if found else (inside, None)
