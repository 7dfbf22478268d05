"""Opens the header of a DICOM film so that one broken attribute does not cost the film."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

from pydicom import config, dcmread
from pydicom.charset import convert_encodings, python_encoding
from pydicom.datadict import (
    dictionary_description,
    dictionary_has_tag,
    dictionary_keyword,
    dictionary_VM,
    dictionary_VR,
)
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.multival import MultiValue
from pydicom.sequence import Sequence
from pydicom.tag import BaseTag
from pydicom.uid import ExplicitVRBigEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.remark import Remark, RemarkKind

_CHARACTER_SET = 0x00080005
_PIXELS = 0x7FE0
_DEEPEST = 16
_TEXT = frozenset({"AE", "AS", "CS", "DA", "DT", "LO", "LT", "SH", "ST", "TM", "UC", "UI", "UR", "UT"})
_DECIMAL = frozenset({"DS", "IS"})
_WHOLE = frozenset({"SL", "SS", "UL", "US", "US or SS"})
_NAMED = 6

DESCRIPTIONS = (
    "SeriesDescription",
    "ProtocolName",
    "AcquisitionProtocolName",
    "StudyDescription",
    "PerformedProcedureStepDescription",
    "RequestedProcedureDescription",
    "AcquisitionDeviceProcessingDescription",
)
"""Attributes in which people write what an examination shows and how it was taken."""


def read_header(content: bytes, bare: bool) -> tuple[Dataset, frozenset[str], tuple[Remark, ...]]:
    """Data set in the bytes of a DICOM file; ``bare`` where it may lack its preamble.

    Whatever cannot be read is taken out: an attribute whose bytes do not fit its type, a value representation that
    does not exist, an unknown character set (texts are then read as Latin-1). What the film needs is asked for later,
    and missed there.

    Returns
    -------
    ds : Dataset
        Reading any attribute of it raises nothing.
    unreadable : frozenset of str
        Keywords of the attributes that were taken out.
    remarks : tuple of Remark

    Raises
    ------
    FilmRejected
        If there is no data set at all.
    """
    ds = _read(content, bare)
    remarks: list[Remark] = []
    if not _character_set_known(ds):
        remarks.append(
            Remark(RemarkKind.UNREADABLE_HEADER, "the character set is unknown: texts of the file are read as Latin-1")
        )
        ds = _read(_without_character_set(content, ds), bare)
    unreadable = {tag for part in (ds.file_meta, ds) for tag in _drop_unreadable(part)}
    names = sorted({str(dictionary_description(tag)) for tag in unreadable if dictionary_has_tag(tag)})
    if names:
        more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
        said = f"left out what cannot be read in the header: {', '.join(names[:_NAMED])}{more}"
        remarks.append(Remark(RemarkKind.UNREADABLE_HEADER, said))
    if not ds.file_meta.get("TransferSyntaxUID"):
        implicit, little = ds.original_encoding
        ds.file_meta.TransferSyntaxUID = (
            ImplicitVRLittleEndian if implicit else ExplicitVRLittleEndian if little else ExplicitVRBigEndian
        )
    keywords = frozenset(str(dictionary_keyword(tag)) for tag in unreadable if dictionary_has_tag(tag))
    return ds, keywords, tuple(remarks)


def texts(ds: Dataset, keyword: str) -> list[str]:
    """Every text of an attribute, stripped; none where it is missing, empty or no text."""
    value: Any = ds.get(keyword)
    values = value if isinstance(value, (MultiValue, list, tuple)) else [value]
    return [one.strip() for one in map(str, (v for v in values if isinstance(v, str))) if one.strip()]


def items(ds: Dataset, keyword: str) -> Iterator[Dataset]:
    """Items of a sequence; none where the attribute is missing or no sequence."""
    value = ds.get(keyword)
    if isinstance(value, Sequence):
        yield from value


def _read(content: bytes, bare: bool) -> Dataset:
    try:
        ds = _parse(content, bare)
        if "PixelData" not in ds and config.assume_implicit_vr_switch:
            # A value representation that is no pair of capitals is taken for implicit encoding from there on. It may
            # as well be a damaged one, with its length where it always is.
            config.assume_implicit_vr_switch = False
            try:
                again = _parse(content, bare)
            finally:
                config.assume_implicit_vr_switch = True
            ds = again if "PixelData" in again else ds
        return ds
    except (MemoryError, RecursionError):
        raise
    except Exception as error:
        raise FilmRejected(f"the DICOM header cannot be read ({type(error).__name__})") from error


def _parse(content: bytes, bare: bool) -> Dataset:
    ds = dcmread(io.BytesIO(content), force=bare)
    if not hasattr(ds, "file_meta") or ds.file_meta is None:
        ds.file_meta = FileMetaDataset()
    return ds


def _stated_character_sets(ds: Dataset) -> list[str]:
    try:
        return [part.strip() for part in _raw(ds).decode("ascii").strip(" \0").split("\\")]
    except Exception:
        return ["?"]


def _raw(ds: Dataset) -> bytes:
    element = ds.get_item(_CHARACTER_SET)
    value: Any = b"" if element is None else element.value
    return value if isinstance(value, bytes) else "\\".join([value] if isinstance(value, str) else value).encode()


def _character_set_known(ds: Dataset) -> bool:
    if _CHARACTER_SET not in ds:
        return True
    stated = _stated_character_sets(ds)
    try:
        read_as = convert_encodings(list(stated))
    except Exception:
        return False
    # The library takes any name of a Python codec for a character set, and an unknown one for Latin-1.
    known = (
        name in python_encoding or codec != python_encoding[""] for name, codec in zip(stated, read_as, strict=False)
    )
    return all(known) and set(read_as) <= set(python_encoding.values())


def _without_character_set(content: bytes, ds: Dataset) -> bytes:
    """The same bytes with blanks for the name of the character set, which reads as the default one."""
    element = ds.get_item(_CHARACTER_SET)
    start = getattr(element, "value_tell", None) or getattr(element, "file_tell", None) or 0
    value = _raw(ds)
    if not start or content[start : start + len(value)] != value:  # a deflated data set: parts will be taken out
        return content
    return content[:start] + b" " * len(value) + content[start + len(value) :]


def _drop_unreadable(ds: Dataset, depth: int = 0) -> set[BaseTag]:
    dropped: set[BaseTag] = set()
    for tag in list(ds.keys()):
        if tag.group == _PIXELS:
            continue
        try:
            element = ds[tag]
            if isinstance(element.value, Sequence) and _is_sequence(tag):
                if depth >= _DEEPEST:
                    raise ValueError("nested too deeply")
                for item in element.value:
                    dropped |= _drop_unreadable(item, depth + 1)
            elif _is_blank(element.value):
                del ds[tag]  # an attribute without a value is one that is not there
            elif not _fits(tag, element.VR, element.value):
                raise TypeError
        except (MemoryError, RecursionError):
            raise
        except Exception:
            del ds[tag]
            dropped.add(tag)
    return dropped


def _is_blank(value: Any) -> bool:
    values = value if isinstance(value, (MultiValue, list, tuple)) else [value]
    return all(one is None or (isinstance(one, (str, bytes)) and not one.strip()) for one in values)


def _is_sequence(tag: BaseTag) -> bool:
    return not dictionary_has_tag(tag) or dictionary_VR(tag) == "SQ"


def _fits(tag: BaseTag, representation: str, value: Any) -> bool:
    """Whether a value is of the type that the dictionary has for its attribute."""
    if not dictionary_has_tag(tag):
        return True
    wanted = dictionary_VR(tag)
    if wanted == "SQ" or isinstance(value, Sequence):
        return False
    values = value if isinstance(value, (MultiValue, list, tuple)) else [value]
    if wanted in _TEXT:
        return all(isinstance(one, str) for one in values)
    if dictionary_VM(tag) == "1" and len(values) != 1:
        return False
    if wanted in _DECIMAL:
        return representation in _DECIMAL and not any(isinstance(one, (bytes, str)) and one for one in values)
    return wanted not in _WHOLE or (representation != "AT" and all(isinstance(one, int) for one in values))
