"""What a listed file holds: one film, or the members of a ZIP archive, frames, the files that a DICOMDIR names."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from functools import cache
from typing import BinaryIO

from raysplay.infer.films.candidate import Candidate
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.litter import holds_no_film, is_litter_name
from raysplay.infer.films.media_directory import Reference, follow, is_directory, references
from raysplay.infer.films.opening import open_regular
from raysplay.infer.films.place import MARK, frame_path, within
from raysplay.infer.films.settings import FilmLimits
from raysplay.infer.films.sniff import HEAD_BYTES, FileFormat, sniff
from raysplay.infer.films.zipped import Archive, is_zip
from raysplay.infer.reason import ReasonKind

_LOOK = 1 << 16
"""Bytes in which the number of frames is looked for: what precedes it in a radiograph's header is short."""

# Number of Frames, (0028,0008), an integer string: explicit little endian and big endian, and implicit.
_FRAMES = re.compile(
    rb"(?:\x28\x00\x08\x00IS(..)|\x00\x28\x00\x08IS(..)|\x28\x00\x08\x00(..)\x00\x00)([ +0-9]{1,12})", re.S
)
# Classes whose frames may be radiographs: CR, DX and secondary captures; of cine runs and volumes none is.
_RADIOGRAPH = re.compile(rb"1\.2\.840\.10008\.5\.1\.4\.1\.1\.(?:1|1\.1|1\.1\.1|7|7\.[1-4])[\0 \x08]")


def films_inside(candidate: Candidate, limits: FilmLimits, *, follow_directory: bool = False) -> Iterator[Candidate]:
    """What a file holds, each with its row: the file itself, or what lies within it.

    Members of a ZIP archive and frames take the place of their file. A DICOM directory keeps its row; what it names and
    is not there gets one, too, and what is there where ``follow_directory``. An archive that cannot be gone through is
    one row that says why.
    """
    if candidate.problem is not None:
        yield candidate
        return
    try:
        with open_regular(candidate.path) as stream:
            head = stream.read(HEAD_BYTES)
            if is_zip(head):
                yield from _members(candidate, stream, limits)
                return
            if is_directory(head):
                content = head + stream.read(limits.max_file_bytes)
                yield from _listed_files(candidate, content, limits, follow_directory)
                return
            more = stream.read(_LOOK - HEAD_BYTES) if _is_dicom(head) else b""
    except FilmRejected as rejected:
        yield _refused(candidate, rejected)
        return
    except (OSError, MemoryError):
        yield candidate  # reading it will say why
        return
    except Exception as error:  # one file must not end the listing of all
        said = f"what it holds cannot be listed ({type(error).__name__})"
        yield _refused(candidate, FilmRejected(said, ReasonKind.CONTAINER))
        return
    yield from _frames(candidate, head + more, limits)


def declared_frames(head: bytes) -> int:
    """Frames that the beginning of a radiograph's file declares; 1 where it declares none, or is of another kind."""
    if not _is_dicom(head[:HEAD_BYTES]) or not _RADIOGRAPH.search(head[:4096]):
        return 1
    found = _FRAMES.search(head)
    if found is None:
        return 1
    little, big, implicit, digits = found.groups()
    length = int.from_bytes(big, "big") if big else int.from_bytes(little or implicit, "little")
    text = digits[:length].strip()
    return int(text) if length <= len(digits) and text.isdigit() else 1


def _is_dicom(head: bytes) -> bool:
    return sniff(head) in (FileFormat.DICOM, FileFormat.DICOM_BARE)


def _frames(candidate: Candidate, head: bytes, limits: FilmLimits) -> Iterator[Candidate]:
    frames = declared_frames(head)
    if not 1 < frames <= limits.max_frames:  # reading it will say that there are too many
        yield candidate
        return
    for number in range(1, frames + 1):
        path, name = frame_path(candidate.path, number), f"{candidate.name}{MARK}/frame-{number}"
        yield Candidate(path, name, size=candidate.size)


def _members(candidate: Candidate, stream: BinaryIO, limits: FilmLimits) -> Iterator[Candidate]:
    if os.path.lexists(within(candidate.path, "")):
        said = "a ZIP archive beside a folder that bears its name and an exclamation mark: rename one of them"
        yield _refused(candidate, FilmRejected(said, ReasonKind.CONTAINER))
        return
    archive = Archive(stream, limits)
    if not archive.members:
        yield _refused(candidate, FilmRejected("a ZIP archive without a file", ReasonKind.CONTAINER))
    for member in archive.members:
        path, name = within(candidate.path, member.name), f"{candidate.name}{MARK}/{member.name}"
        found = Candidate(path, name, member.problem, member.size)
        if member.problem is not None:
            yield found
            continue
        try:
            head = archive.read(member.name, _LOOK)
        except FilmRejected:
            yield found  # reading it will say why
            continue
        if is_litter_name(last := member.name.rsplit("/", 1)[-1]) and holds_no_film(last, head):
            continue
        if not is_directory(head[:HEAD_BYTES]):
            yield from _frames(found, head, limits)
            continue
        try:
            named = references(archive.read(member.name), limits)
        except FilmRejected as rejected:
            yield _refused(found, rejected)
            continue
        folder = member.name[: -len(last)]
        yield from _directory_rows(
            found,
            named,
            lambda path, folder=folder: f"{folder}{path}" in archive,  # type: ignore[misc]
            lambda _: [],
            lambda path, folder=folder: Candidate(  # type: ignore[misc]
                within(candidate.path, f"{folder}{path}"), f"{candidate.name}{MARK}/{folder}{path}"
            ),
            follow_directory=False,
        )


def _listed_files(
    candidate: Candidate, content: bytes, limits: FilmLimits, follow_directory: bool
) -> Iterator[Candidate]:
    folder = candidate.path.parent
    before = candidate.name[: -len(candidate.path.name)]

    @cache
    def listed(path: str) -> list[str]:
        try:
            return os.listdir(folder / path)
        except OSError:
            return []

    yield from _directory_rows(
        candidate,
        references(content, limits),
        lambda path: (folder / path).is_file(),
        listed,
        lambda path: Candidate(folder / path, f"{before}{path}"),
        follow_directory=follow_directory,
    )


def _directory_rows(
    directory: Candidate,
    named: list[Reference],
    exists: Callable[[str], bool],
    listed: Callable[[str], list[str]],
    candidate_at: Callable[[str], Candidate],
    *,
    follow_directory: bool,
) -> Iterator[Candidate]:
    there: list[str] = []
    missing: list[str] = []
    for reference in named:
        path = follow(reference, exists, listed)
        (missing if path is None else there).append(path if path is not None else "/".join(reference))
    said = f"a DICOM directory (DICOMDIR) of {len(named)} files, {len(missing)} of them missing, not a film"
    yield _refused(directory, FilmRejected(said, ReasonKind.CONTAINER))
    if follow_directory:
        yield from map(candidate_at, there)
    gone = FilmRejected("named by a DICOM directory (DICOMDIR), but not there", ReasonKind.MISSING)
    for path in missing:
        # Never the path itself: it may lead anywhere.
        inside = path.replace("..", "(..)").strip("/")
        yield Candidate(within(directory.path, inside), f"{directory.name}{MARK}/{inside}", gone)


def _refused(candidate: Candidate, problem: FilmRejected) -> Candidate:
    return Candidate(candidate.path, candidate.name, problem)
