"""A film to read, what was asked of it, and what came of it; both travel between processes as plain bytes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Protocol

from raysplay.configs.errors import RaysplayError
from raysplay.infer.films.film_identity import Stamp
from raysplay.infer.reason import ReasonKind


@dataclass(frozen=True)
class Reading:
    """How films of a run are read, the same for all of them.

    Attributes
    ----------
    protocol : Path
        The protocol file.
    overlays : bool
        Whether a picture of every foot is drawn.
    landmark_weights : Path or None
        Those that come with the package by default.
    select : bool
        Whether films are left out that the selection does not keep.
    accelerator : str
        Where the process with the accelerator listens; empty where each process reads by networks of its own.
    """

    protocol: Path
    overlays: bool
    landmark_weights: Path | None = None
    select: bool = False
    accelerator: str = ""

    def to_json(self) -> dict[str, Any]:
        """As :meth:`of_json` takes it in another process; paths are whole."""
        weights = None if self.landmark_weights is None else str(self.landmark_weights.absolute())
        return {
            "protocol": str(self.protocol.absolute()),
            "overlays": self.overlays,
            "landmark_weights": weights,
            "select": self.select,
            "accelerator": self.accelerator,
        }

    @classmethod
    def of_json(cls, about: dict[str, Any]) -> Reading:
        """What :meth:`to_json` gave."""
        weights = about["landmark_weights"]
        weights = None if weights is None else Path(weights)
        return cls(
            Path(about["protocol"]), bool(about["overlays"]), weights, bool(about["select"]), about["accelerator"]
        )


@dataclass(frozen=True)
class Job:
    """A file to read.

    Attributes
    ----------
    place : bytes
        Its place in the order of the tables, see :func:`place_of`.
    path : Path
    name : str
        Relative path, as :attr:`~raysplay.infer.films.collect.Candidate.name`.
    size : int or None
        Bytes of a member of a ZIP archive, as :attr:`~raysplay.infer.films.collect.Candidate.size`.
    marks : Stamp or None
        As :attr:`~raysplay.infer.films.collect.Candidate.marks`; stays with the command.
    """

    place: bytes
    path: Path
    name: str
    size: int | None = None
    marks: Stamp | None = None


@dataclass(frozen=True)
class Answer:
    """What came of a file.

    Attributes
    ----------
    content : bytes
        The result (:mod:`.stored_film`).
    outcome : str
        The worst of its feet.
    kinds : tuple of str
        Of its reasons.
    digest : str
        SHA-256 of the bytes that were read; empty where they could not be.
    marks : Stamp or None
        Of the file before and after it was read; None where there was none, or it was another one afterwards.
    pictures : tuple of (str, bytes)
        Name and content of a PNG file for each foot.
    seconds : float
        Spent on it.
    trouble : ReasonKind or None
        Why it has no result of its own: its process died, it took too long, its bytes did not come, it was changed.
    """

    content: bytes
    outcome: str
    kinds: tuple[str, ...]
    digest: str
    marks: Stamp | None
    pictures: tuple[tuple[str, bytes], ...] = ()
    seconds: float = 0.0
    trouble: ReasonKind | None = None

    def to_bytes(self) -> bytes:
        """One line of JSON that says how long the parts are, then the parts."""
        about = {
            "content": len(self.content),
            "outcome": self.outcome,
            "kinds": self.kinds,
            "digest": self.digest,
            "marks": None if self.marks is None else asdict(self.marks),
            "pictures": [(name, len(picture)) for name, picture in self.pictures],
            "seconds": self.seconds,
            "trouble": None if self.trouble is None else self.trouble.value,
        }
        return b"".join(
            (json.dumps(about).encode("ascii"), b"\n", self.content, *(picture for _, picture in self.pictures))
        )

    @classmethod
    def of_bytes(cls, whole: bytes) -> Answer:
        """What :meth:`to_bytes` gave.

        Raises
        ------
        ValueError
            If it is something else.
        """
        line, _, parts = whole.partition(b"\n")
        try:
            about = json.loads(line)
            lengths = [about["content"], *(length for _, length in about["pictures"])]
            if sum(lengths) != len(parts):
                raise ValueError("cut off")
            content, *pictures = _cut(parts, lengths)
            return cls(
                content,
                about["outcome"],
                tuple(about["kinds"]),
                about["digest"],
                None if about["marks"] is None else Stamp(**about["marks"]),
                tuple((name, picture) for (name, _), picture in zip(about["pictures"], pictures, strict=True)),
                about["seconds"],
                None if about["trouble"] is None else ReasonKind(about["trouble"]),
            )
        except (KeyError, TypeError) as error:
            raise ValueError("no answer") from error

    def unmarked(self, trouble: ReasonKind) -> Answer:
        """The same as one that does not count, and why."""
        return replace(self, trouble=trouble, digest="", marks=None, pictures=())


class EngineError(RaysplayError):
    """Processes that read films and cannot be started, or are gone; the message says which and why."""


class Engine(Protocol):
    """What reads films: this process, several, or those of a cluster."""

    @property
    def here(self) -> bool:
        """Whether films are read on this machine alone."""

    @property
    def digests(self) -> dict[str, str]:
        """SHA-256 of every weights file by name."""

    @property
    def key(self) -> dict[str, str]:
        """What its numbers depend on (:mod:`.reader_key`)."""

    @property
    def machine(self) -> dict[str, str | int]:
        """What the last digits depend on."""

    def read(self, jobs: Iterator[Job], person_key: str) -> Iterator[tuple[Job, Answer]]:
        """Read every file, in any order."""

    def close(self) -> None:
        """End its processes."""


def place_of(name: str) -> bytes:
    """Where a file stands in every table: folder by folder, by code points, whatever the order of reading was."""
    return "\0".join(name.split("/")).encode("utf-8", "surrogatepass")


def name_at(place: bytes) -> str:
    """The relative path that stands there."""
    return place.decode("utf-8", "surrogatepass").replace("\0", "/")


def _cut(parts: bytes, lengths: list[int]) -> Iterator[bytes]:
    start = 0
    for length in lengths:
        yield parts[start : start + length]
        start += length
