"""Tells a file's format from its first bytes, never from its name."""

from __future__ import annotations

import codecs
from enum import Enum
from typing import Literal

from raysplay.infer.reason import ReasonKind

HEAD_BYTES = 512
"""How many bytes of a file :func:`sniff` wants to see."""


class FileFormat(Enum):
    """Formats that may hold a film."""

    DICOM = "DICOM"
    DICOM_BARE = "DICOM without preamble"
    PNG = "PNG"
    JPEG = "JPEG"
    TIFF = "TIFF"


_PICTURES = (
    (b"\x89PNG\r\n\x1a\n", FileFormat.PNG),
    (b"\xff\xd8\xff", FileFormat.JPEG),
    (b"II*\x00", FileFormat.TIFF),
    (b"MM\x00*", FileFormat.TIFF),
    (b"II+\x00", FileFormat.TIFF),
    (b"MM\x00+", FileFormat.TIFF),
)

# CMS EnvelopedData (RFC 5652, the secure file of DICOM PS3.15 annex D) names this object identifier.
_ENVELOPED_DATA = bytes.fromhex("06092a864886f70d010703")

_OTHERS = (
    (b"%PDF-", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or office document: unpack it first"),
    (b"\x1f\x8b", "a gzip archive: unpack it first"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive: unpack it first"),
    (b"GIF8", "a GIF picture, which is not read"),
    (b"BM", "a BMP picture, which is not read"),
    (b"\x00\x00\x00\x0cjP  \r\n", "a bare JPEG 2000 picture, which is not read"),
    (b"SQLite format 3\x00", "a database"),
    (b"-----BEGIN PGP MESSAGE", "encrypted (OpenPGP): decrypt it first"),
    (b"Salted__", "encrypted (salted block cipher): decrypt it first"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
)

_EMPTY, _ZEROS = "an empty file", "nothing but zero bytes"
_UNKNOWN = "no DICOM, PNG, JPEG or TIFF file (damaged, encrypted or of another kind)"
_MAY_BE_DAMAGED = frozenset({_EMPTY, _ZEROS, _UNKNOWN})
"""What may have been a film."""

# Value representations a data set may open with (PS3.5, 6.2), as far as groups 0002 and 0008 use them.
_FIRST_VRS = frozenset({b"UL", b"OB", b"CS", b"UI", b"DA", b"TM", b"SH", b"LO", b"DT", b"SQ"})


def sniff(head: bytes) -> FileFormat | None:
    """Format of a file that begins with ``head`` (:data:`HEAD_BYTES` of it), or None if it is no film."""
    if head[128:132] == b"DICM":
        return FileFormat.DICOM
    for magic, found in _PICTURES:
        if head.startswith(magic):
            return found
    return FileFormat.DICOM_BARE if _opens_data_set(head) else None


def kind_of_other(head: bytes) -> ReasonKind:
    """Kind of the refusal of a file that :func:`sniff` does not know: what could hold films has another one."""
    said = describe_other(head)
    if said.startswith("encrypted"):
        return ReasonKind.ENCRYPTED
    if "unpack it first" in said:
        return ReasonKind.CONTAINER
    return ReasonKind.UNREADABLE if said in _MAY_BE_DAMAGED else ReasonKind.OTHER_FILE


def describe_other(head: bytes) -> str:
    """Plain words for a file that :func:`sniff` does not know."""
    if not head:
        return _EMPTY
    if _ENVELOPED_DATA in head[:64]:
        return "encrypted (CMS envelope): decrypt it first"
    for magic, words in _OTHERS:
        if head.startswith(magic):
            return words
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "a WebP picture, which is not read"
    if head[4:8] == b"ftyp":
        return "a HEIF picture or a video, which is not read"
    if not head.strip(b"\x00"):
        return _ZEROS
    if all(byte in b"\t\n\r\f" or byte >= 0x20 for byte in head) and _is_utf8(head):
        return "a text file"
    return _UNKNOWN


def _opens_data_set(head: bytes) -> bool:
    """Whether ``head`` starts with a data element of group 0002 or 0008 (PS3.5, 7.1)."""
    if len(head) < 8:
        return False
    orders: tuple[Literal["little", "big"], ...] = ("little", "big")
    for order in orders:
        group = int.from_bytes(head[0:2], order)
        element = int.from_bytes(head[2:4], order)
        if group not in (0x0002, 0x0008) or element > 0x0100:
            continue
        implicit_length = int.from_bytes(head[4:8], order)
        if head[4:6] in _FIRST_VRS or (order == "little" and implicit_length <= 64):
            return True
    return False


def _is_utf8(head: bytes) -> bool:
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)  # the head may end inside a character
    except UnicodeDecodeError:
        return False
    return True
