"""Why a file, a film or a foot was not simply accepted: a kind, by which programs decide, and words for a person."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum


class ReasonKind(Enum):
    """What a reason is about; the values stand in tables and configurations and never change their meaning."""

    DUPLICATE = "duplicate"
    """The file has the bytes of another one."""
    UNREADABLE = "unreadable"
    """The file gives no film."""
    TRUNCATED = "truncated"
    """The file is cut off; numbers: bytes there and bytes expected."""
    OUT_OF_MEMORY = "out_of_memory"
    """Decoding the file needs more memory than it may have."""
    OTHER_FILE = "other_file"
    """The file is of a kind that holds no film: text, document, colour picture."""
    OTHER_OBJECT = "other_object"
    """A DICOM object that is no projection radiograph."""
    NO_DECODER = "no_decoder"
    """What would decode its pixels is not installed."""
    ENCRYPTED = "encrypted"
    MISSING = "missing"
    """A file that another one names, or that was there a moment ago, is not there."""
    CHANGED = "changed"
    """The file was changed while it was read."""
    CONTAINER = "container"
    """A file that holds or lists others and is no film itself; they have their rows, or cannot be gone through."""
    LEFT_OUT = "left_out"
    """The selection before the run left it out."""
    INTERNAL_ERROR = "internal_error"
    """The program itself failed on the file."""
    PROCESS_DIED = "process_died"
    """The process that read the file ended, twice."""
    TIME_LIMIT = "time_limit"
    """Reading the file took longer than a film may take, twice."""
    BYTES_LATE = "bytes_late"
    """The drive did not give the file's bytes in time."""
    NO_FOOT_FOUND = "no_foot_found"
    NO_FOOT = "no_foot"
    """What was found scores too low to be a foot."""
    FOOT_DOUBTFUL = "foot_doubtful"
    NOT_DORSOPLANTAR = "not_dorsoplantar"
    VIEW_DOUBTFUL = "view_doubtful"
    VIEW_CONFLICT = "view_conflict"
    GROWTH_PLATES = "growth_plates"
    METAL = "metal"
    CAST = "cast"
    SPLINT = "splint"
    MISSING_TOE = "missing_toe"
    OVERLAP = "overlap"
    CUT_OFF = "cut_off"
    """By the points, or by the look of the picture."""
    UNLIKE_TRAINING = "unlike_training"
    SIDE_CONFLICT = "side_conflict"
    """The file and the anatomy disagree."""
    SIDE_DOUBTFUL = "side_doubtful"
    SIDE_CONTRADICTED = "side_contradicted"
    """The points lie as on the other foot."""
    SIDE_REPEATED = "side_repeated"
    SIDE_LETTER_CONFLICT = "side_letter_conflict"
    """The letter on the film names another side than the anatomy or the file."""
    SIDE_LETTER_MIRRORED = "side_letter_mirrored"
    DOUBTFUL_LANDMARK = "doubtful_landmark"
    WITHHELD = "withheld"
    WIDE_INTERVAL = "wide_interval"
    """Of a measure that decides over the foot; of any other the kind is ``withheld``."""
    IMPLAUSIBLE_SHAPE = "implausible_shape"
    CONSTRUCTION_SENSITIVE = "construction_sensitive"
    ANKLE_VIEW = "ankle_view"
    """The foot looks tipped in the beam and the leg lies in the picture, as on a film of the ankle."""
    BEAM_UNUSUAL = "beam_unusual"
    """By an unproven estimate the beam met the foot at another angle than usual; decides nothing."""
    SPACING_DOUBTFUL = "spacing_doubtful"
    PIXELS_NOT_SQUARE = "pixels_not_square"
    LOADING_NOT_FULL = "loading_not_full"
    """The file says so, or contradicts itself."""
    FILE_DOUBTFUL = "file_doubtful"
    """The file looks damaged, though it could be decoded."""
    FILE_REMARK = "file_remark"
    """A remark on the file that a person must weigh (``RemarkKind``)."""

    @property
    def words(self) -> str:
        """The kind in a few words, as lists of kinds show it; nothing decides by them."""
        return _WORDS[self]

    @property
    def gave_no_film(self) -> bool:
        """Whether such a file gave no film to look for feet on."""
        return self in _NO_FILM


_NO_FILM = frozenset(
    {
        ReasonKind.DUPLICATE,
        ReasonKind.UNREADABLE,
        ReasonKind.TRUNCATED,
        ReasonKind.OUT_OF_MEMORY,
        ReasonKind.OTHER_FILE,
        ReasonKind.OTHER_OBJECT,
        ReasonKind.NO_DECODER,
        ReasonKind.ENCRYPTED,
        ReasonKind.MISSING,
        ReasonKind.CHANGED,
        ReasonKind.CONTAINER,
        ReasonKind.LEFT_OUT,
        ReasonKind.INTERNAL_ERROR,
        ReasonKind.PROCESS_DIED,
        ReasonKind.TIME_LIMIT,
        ReasonKind.BYTES_LATE,
    }
)
_WORDS = {
    ReasonKind.DUPLICATE: "duplicate",
    ReasonKind.UNREADABLE: "unreadable",
    ReasonKind.TRUNCATED: "unreadable, truncated",
    ReasonKind.OUT_OF_MEMORY: "unreadable, out of memory",
    ReasonKind.OTHER_FILE: "another kind of file",
    ReasonKind.OTHER_OBJECT: "no projection radiograph",
    ReasonKind.NO_DECODER: "unreadable, no decoder",
    ReasonKind.ENCRYPTED: "unreadable, encrypted",
    ReasonKind.MISSING: "missing",
    ReasonKind.CHANGED: "changed while it was read",
    ReasonKind.CONTAINER: "holds other files",
    ReasonKind.LEFT_OUT: "left out by the selection",
    ReasonKind.INTERNAL_ERROR: "not read",
    ReasonKind.PROCESS_DIED: "not read, the program ended on it",
    ReasonKind.TIME_LIMIT: "not read, over the time limit",
    ReasonKind.BYTES_LATE: "not read, the drive was late",
    ReasonKind.NO_FOOT_FOUND: "no foot found",
    ReasonKind.NO_FOOT: "no foot",
    ReasonKind.FOOT_DOUBTFUL: "foot doubtful",
    ReasonKind.NOT_DORSOPLANTAR: "not a dorsoplantar view",
    ReasonKind.VIEW_DOUBTFUL: "view doubtful",
    ReasonKind.VIEW_CONFLICT: "view conflict",
    ReasonKind.GROWTH_PLATES: "growth plates look open",
    ReasonKind.METAL: "metal in the foot",
    ReasonKind.CAST: "cast in place",
    ReasonKind.SPLINT: "splint or spacer in place",
    ReasonKind.MISSING_TOE: "toe missing",
    ReasonKind.OVERLAP: "forefoot covered",
    ReasonKind.CUT_OFF: "foot is cut off",
    ReasonKind.UNLIKE_TRAINING: "unlike training films",
    ReasonKind.SIDE_CONFLICT: "side conflict",
    ReasonKind.SIDE_DOUBTFUL: "side doubtful",
    ReasonKind.SIDE_CONTRADICTED: "side contradicted",
    ReasonKind.SIDE_REPEATED: "side repeated",
    ReasonKind.SIDE_LETTER_CONFLICT: "side letter conflict",
    ReasonKind.SIDE_LETTER_MIRRORED: "side letter mirrored",
    ReasonKind.DOUBTFUL_LANDMARK: "doubtful landmark",
    ReasonKind.WITHHELD: "withheld",
    ReasonKind.WIDE_INTERVAL: "interval too wide",
    ReasonKind.IMPLAUSIBLE_SHAPE: "implausible shape",
    ReasonKind.CONSTRUCTION_SENSITIVE: "construction-sensitive",
    ReasonKind.ANKLE_VIEW: "perhaps a film of the ankle",
    ReasonKind.BEAM_UNUSUAL: "beam not as usual",
    ReasonKind.SPACING_DOUBTFUL: "spacing doubtful",
    ReasonKind.PIXELS_NOT_SQUARE: "pixels not square",
    ReasonKind.LOADING_NOT_FULL: "loading",
    ReasonKind.FILE_DOUBTFUL: "file doubtful",
    ReasonKind.FILE_REMARK: "remark on the file",
}


@dataclass(frozen=True)
class Reason:
    """One reason.

    Attributes
    ----------
    kind : ReasonKind
    text : str
        The sentence that a person reads, without text of the film's header.
    numbers : mapping of str to float
        What the sentence rounds, by name; no part of what makes two reasons equal, since tables do not keep them.
    """

    kind: ReasonKind
    text: str
    numbers: Mapping[str, float] = field(default_factory=dict, compare=False)

    def __str__(self) -> str:
        return self.text
