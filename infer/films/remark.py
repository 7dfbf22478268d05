"""A caveat on a film: its kind, by which a gate decides, and its words, which only a person reads."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class RemarkKind(Enum):
    """What a remark is about; the values stand in tables and in ``configs/decision.yaml``."""

    GREY_LEVELS = "grey_levels"
    """Window, padding, bits, colour: how stored values became grey levels."""
    WINDOW_GUESSED = "window_guessed"
    """The file says nothing usable of its window: grey levels were set by percentiles."""
    SHUTTER = "shutter"
    PICTURE_FILE = "picture_file"
    """What a PNG, JPEG or TIFF file cannot state, and how it was turned."""
    INVERTED = "inverted"
    """Bone was shown dark and was put right."""
    POLARITY_UNCLEAR = "polarity_unclear"
    """Neither the background nor the feet tell whether bone is bright."""
    SPACING = "spacing"
    """What the stated spacing may be used for."""
    SPACING_CONFLICT = "spacing_conflict"
    """Stated spacings that cannot both hold."""
    PIXEL_SHAPE = "pixel_shape"
    """Statements of the shape of a pixel that contradict each other or cannot be read."""
    SIDE = "side"
    SIDE_CONFLICT = "stated_sides_conflict"
    """Statements of the side that contradict each other."""
    SIDE_LETTER = "side_letter"
    """A side letter that was found on the film, where it lies and how sure it is."""
    LOADING = "loading"
    """What ``Film.loading`` holds, in words; its gate reads the value."""
    LOADING_UNKNOWN = "loading_unknown"
    """The file says nothing of the load."""
    LOADING_READ = "loading_read"
    """What words on the film say of the load, read off the picture, and how that fits what the file says."""
    BODY_PART = "body_part"
    """The file names something other than a foot."""
    UNREADABLE_HEADER = "unreadable_header"
    """Attributes that could not be read and were left out."""
    FRAME = "frame"
    """Which frame of an object of several the film is."""
    PHOTOGRAPH = "photograph"
    """A tinted picture was made grey: a film photographed from a screen may be bent, turned or cut."""
    BURNT_IN_TEXT = "burnt_in_text"
    """Writing in the picture, by the file or by sight: it may name a person."""
    LENGTHS = "lengths"
    """What the film's millimetres are."""
    GONE = "gone"
    """The file was no longer there when the archive was last looked through; what was read of it stays."""


@dataclass(frozen=True)
class Remark:
    """One caveat.

    Attributes
    ----------
    kind : RemarkKind
    text : str
        A sentence for a reader, without text of the file's header.
    """

    kind: RemarkKind
    text: str

    def __str__(self) -> str:
        return self.text


PHOTOGRAPH = Remark(
    RemarkKind.PHOTOGRAPH,
    "a tinted picture, as of a screen photographed in colour, was made grey: it may be bent or cut",
)
"""On a picture in colour that is a photograph of a grey one."""
