"""What a DICOM file says about how the film was taken: side, view, body part, loading."""

from __future__ import annotations

import re
from collections.abc import Iterator

from pydicom.dataset import Dataset

_CODE_STRING = re.compile(r"[A-Z0-9 _]{1,16}")
_TEXTS = (
    "SeriesDescription",
    "ProtocolName",
    "StudyDescription",
    "PerformedProcedureStepDescription",
    "RequestedProcedureDescription",
    "AcquisitionDeviceProcessingDescription",
    "ImageComments",
    "ViewPosition",
)
_CODES = (
    "ViewCodeSequence",
    "ViewModifierCodeSequence",
    "ProcedureCodeSequence",
    "PerformedProtocolCodeSequence",
    "AcquisitionContextSequence",
    "PatientOrientationModifierCodeSequence",
    "PatientOrientationCodeSequence",
    "ConceptCodeSequence",
)
# Common wording in English, German, French, Spanish and Italian; common practice, no source.
_UNLOADED = re.compile(
    r"\b(non|not|un|no|without|partial)[ _-]*w(eight|t)[ _.-]*bear|\bn\.?w\.?b\b|unbelastet|ohne belastung"
    r"|sans (charge|appui)|sin carga|senza carico|\b(supine|sitting|seated)\b",
    re.IGNORECASE,
)
_LOADED = re.compile(
    r"\bw(eight|t)[ _.-]*bear|\bw\.?b\b|\bstanding\b|\berect\b|belastet|unter belastung|\bstehend\b|im stehen"
    r"|en (charge|appui)|\ben carga\b|sotto carico|\bin carico\b",
    re.IGNORECASE,
)
_WEIGHT_BEARING = "87731000"
"""SNOMED CT code of "Weight bearing"."""


def read_laterality(ds: Dataset) -> tuple[str | None, tuple[str, ...]]:
    """Side stated by the file: 'L', 'R', 'B' (both) or None, and remarks.

    Image Laterality speaks for the picture and comes first, then Frame Laterality, then the Laterality
    of the series.
    """
    stated = {}
    for name, value in (
        ("Image Laterality", ds.get("ImageLaterality")),
        ("Frame Laterality", _frame_laterality(ds)),
        ("Laterality", ds.get("Laterality")),
    ):
        side = str(value or "").strip().upper()
        if side in ("L", "R", "B"):
            stated[name] = side
    if not stated:
        return None, ("the file does not state a side",)
    first = next(iter(stated.values()))
    if len(set(stated.values())) == 1:
        return first, ()
    said = ", ".join(f"{name} {side}" for name, side in stated.items())
    return first, (f"statements of the side disagree ({said})",)


def _frame_laterality(ds: Dataset) -> object:
    if "FrameLaterality" in ds:
        return ds.FrameLaterality
    for groups in ("PerFrameFunctionalGroupsSequence", "SharedFunctionalGroupsSequence"):
        for item in ds.get(groups) or ():
            for anatomy in item.get("FrameAnatomySequence") or ():
                if "FrameLaterality" in anatomy:
                    return anatomy.FrameLaterality
    return None


def read_view(ds: Dataset) -> str | None:
    """View as the file writes it: View Position, else the meaning of the View Code."""
    position = str(ds.get("ViewPosition") or "").strip().upper()
    if _CODE_STRING.fullmatch(position):
        return position
    for item in ds.get("ViewCodeSequence") or ():
        meaning = str(item.get("CodeMeaning") or "").strip()
        if re.fullmatch(r"[\w ,()/-]{1,64}", meaning):
            return meaning
    return None


def read_body_part(ds: Dataset) -> tuple[str, ...]:
    """A remark where Body Part Examined names something other than a foot."""
    part = str(ds.get("BodyPartExamined") or "").strip().upper()
    if not part or any(word in part for word in ("FOOT", "FEET", "TOE", "EXTREMITY", "LEG", "ANKLE")):
        return ()
    named = part if _CODE_STRING.fullmatch(part) else "something else"
    return (f"the file says the body part is {named}",)


def read_loading(ds: Dataset) -> tuple[bool | None, tuple[str, ...]]:
    """Whether the file says that the foot bore weight (None: it does not say), with a remark.

    DICOM has no attribute for it: free text of series, protocol and study is searched for usual words,
    and coded entries for the SNOMED CT concept "Weight bearing".
    """
    codes = list(_codes(ds))
    texts = [str(ds.get(keyword) or "") for keyword in _TEXTS] + [meaning for _, meaning in codes]
    if any(_UNLOADED.search(text) for text in texts):
        return False, ("the file says the film is not weight-bearing",)
    if any(value == _WEIGHT_BEARING for value, _ in codes) or any(_LOADED.search(text) for text in texts):
        return True, ()
    return None, ("loading unknown: nothing in the file says weight-bearing",)


def _codes(ds: Dataset, depth: int = 0) -> Iterator[tuple[str, str]]:
    for keyword in _CODES:
        for item in ds.get(keyword) or ():
            yield str(item.get("CodeValue") or ""), str(item.get("CodeMeaning") or "")
            if depth < 3:
                yield from _codes(item, depth + 1)
