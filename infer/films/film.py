"""A film as the rest of the pipeline sees it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt

from raysplay.infer.films.loading import Loading, Stated
from raysplay.infer.films.remark import Remark
from raysplay.infer.reason import ReasonKind


class SpacingKind(Enum):
    """What a pixel spacing means (DICOM PS3.3, 10.7.1.3 and the attributes it names)."""

    FIDUCIAL = "fiducial"
    """Calibrated against an object of known size at the depth of the bones."""
    GEOMETRY = "geometry"
    """Corrected for magnification by assumed geometry."""
    DETECTOR_PLANE = "detector plane"
    """Millimetres on the detector: bones are magnified by an unknown few percent."""
    SCANNED_NOMINAL = "scanned film, nominal"
    """Pitch of a film digitiser."""
    UNKNOWN = "unknown"
    """No usable statement; lengths stay in pixels, angles are unaffected if pixels are square."""


@dataclass(frozen=True)
class Spacing:
    """Distance between pixel centres in millimetres, with what it may be trusted for.

    ``row_mm`` is the distance between rows (vertical), ``column_mm`` between columns. Both are ``None``
    for unknown size; ``aspect`` (row / column distance) is known even then and 1.0 by assumption.
    ``shape_confirmed`` says that a second statement, independent of the first, gives the same aspect.
    """

    row_mm: float | None = None
    column_mm: float | None = None
    kind: SpacingKind = SpacingKind.UNKNOWN
    aspect: float = 1.0
    shape_confirmed: bool = False


class Damage(Enum):
    """What makes a file look damaged that could be decoded."""

    TORN = "grey values step along coded rows, as damaged JPEG data leave them"
    TABLES = "a table of the JPEG header holds what no encoder is known to write"


@dataclass(frozen=True)
class FoundWriting:
    """Where writing was found on these very pixels (rows, columns): boxes (N, 4) as :attr:`Film.writing` has them."""

    pixels: npt.NDArray[np.float32]
    boxes: npt.NDArray[np.int64]


@dataclass(frozen=True)
class Film:
    """One decoded radiograph.

    Attributes
    ----------
    path : Path
        File it came from.
    pixels : ndarray of float32, shape (rows, columns)
        Grey values in 0..1 with bone bright, after modality and VOI transforms and inversion.
    spacing : Spacing
        Pixel spacing with its kind.
    laterality : {'L', 'R', 'B'} or None
        Side stated by the file, never guessed from the picture.
    view : str or None
        View stated by the file, in words of the standard only (for example ``DP`` or ``AP``).
    loading : Loading
        How the foot was loaded by the file's own statements, and by words on the film where these were read.
    loading_stated : frozenset of Stated
        The file's own statements on that.
    loading_read : Loading
        What words on the film say by themselves, read off the picture (:mod:`.film_words`).
    sha256 : str
        Digest of the file's bytes.
    polarity_doubtful : bool
        Whether bone may be dark nevertheless, by the picture's background.
    damage : Damage or None
        What looks damaged, though the file could be decoded.
    person : str
        Code of the person by the file's identifier, see :mod:`.person`; the same for films of one person in one run.
        Empty where the file names nobody, or no code was asked for.
    taken : str
        Day on which it was taken, ISO 8601; empty where unknown.
    sex, age : str
        As :func:`~raysplay.infer.films.person.sex` and :func:`~raysplay.infer.films.person.age_band` have them.
    terms : tuple of str
        Parts of the body and views that the header's words name, as terms of ``configs/stated_terms.yaml``.
    remarks : tuple of Remark
        Caveats for a reader: window guessed, spacing values in conflict, loading unknown and so on.
    found_writing : FoundWriting or None
        What decoding found, where it looked as closely as pictures ask for. Of other pixels it says nothing, so a
        changed film is looked through anew.
    """

    path: Path
    pixels: npt.NDArray[np.float32]
    spacing: Spacing = field(default_factory=Spacing)
    laterality: str | None = None
    view: str | None = None
    loading: Loading = Loading.UNKNOWN
    loading_stated: frozenset[Stated] = frozenset()
    loading_read: Loading = Loading.UNKNOWN
    sha256: str = ""
    polarity_doubtful: bool = False
    damage: Damage | None = None
    person: str = ""
    taken: str = ""
    sex: str = ""
    age: str = ""
    terms: tuple[str, ...] = ()
    remarks: tuple[Remark, ...] = ()
    found_writing: FoundWriting | None = None

    @cached_property
    def writing(self) -> npt.NDArray[np.int64]:
        """Boxes (N, 4) of :func:`~raysplay.infer.films.burnt_in_text.text_boxes`, looked for once for all pictures."""
        if self.found_writing is not None and self.found_writing.pixels is self.pixels:
            return self.found_writing.boxes
        from raysplay.infer.films.burnt_in_text import STATED, text_boxes

        return text_boxes(self.pixels, stated=STATED in self.remarks)


class FilmRejected(Exception):  # noqa: N818 - an outcome that gets its row, not a failure of the run
    """A file that yields no film.

    ``str()`` is one plain reason without the path and without patient text; ``kind`` and ``numbers`` as in
    :class:`~raysplay.infer.reason.Reason`.
    """

    def __init__(
        self, said: str, kind: ReasonKind = ReasonKind.UNREADABLE, numbers: Mapping[str, float] | None = None
    ) -> None:
        super().__init__(said)
        self.kind = kind
        self.numbers = dict(numbers or {})
