"""What a DICOM file says about how the film was taken: side, view, body part, loading."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING

from pydicom.dataset import Dataset

from raysplay.infer.films.defined_terms import BODY_PARTS, coded_view, concept, view_words
from raysplay.infer.films.header import DESCRIPTIONS, items, texts
from raysplay.infer.films.loading import Loading, Stated, settle
from raysplay.infer.films.loading_words import stated_in
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.measure.sides import LATERALITIES

if TYPE_CHECKING:  # as in defined_terms
    from pydicom.sr.coding import Code

_TEXTS = (
    *DESCRIPTIONS,
    "ScheduledProcedureStepDescription",
    "CommentsOnThePerformedProcedureStep",
    "AcquisitionComments",
    "ImageComments",
    "ViewPosition",
    "CodeMeaning",
    "TextValue",
)
_SEQUENCES = (
    "ViewCodeSequence",
    "ViewModifierCodeSequence",
    "ProcedureCodeSequence",
    "RequestedProcedureCodeSequence",
    "PerformedProtocolCodeSequence",
    "ScheduledProtocolCodeSequence",
    "SeriesDescriptionCodeSequence",
    "RequestAttributesSequence",
    "AcquisitionContextSequence",
    "PatientOrientationModifierCodeSequence",
    "PatientOrientationCodeSequence",
    "ConceptCodeSequence",
)
_SAID = {
    Loading.PARTIAL: "the file says the foot bore part of the weight only, or as much as was tolerated",
    Loading.SIMULATED: "the file says that weight-bearing was simulated",
    Loading.NONE: "the file says the film is not weight-bearing",
    Loading.UNKNOWN: "loading unknown: nothing in the file says weight-bearing",
    Loading.CONTRADICTORY: "the file's statements on weight-bearing contradict each other",
}
# Words in Body Part Examined that a film of a foot may bear; common practice, no source.
_FOOT_INSIDE = ("FOOT", "FEET", "FUSS", "TOES", "HALLUX", "METATARS", "CALCANE", "EXTREMIT")
_FOOT_WORDS = frozenset(
    [
        "TOE",
        "LEG",
        "LEGS",
        "ANKLE",
        "ANKLES",
        "SESAMOID",
        "PIED",
        "PIEDS",
        "PIE",
        "PIES",
        "PIEDE",
        "PIEDI",
        "ZEH",
        "ZEHE",
        "ZEHEN",
    ]
)
_DEEPEST = 3


def read_laterality(ds: Dataset) -> tuple[str | None, tuple[Remark, ...]]:
    """Side that the file states.

    Image Laterality speaks for the picture and comes first, then Frame Laterality, then the Laterality of the series.

    Returns
    -------
    side : {'L', 'R', 'B'} or None
        B is both; None where nothing is stated.
    remarks : tuple of Remark
        That nothing is stated, or that statements disagree.
    """
    stated = {}
    for name, values in (
        ("Image Laterality", texts(ds, "ImageLaterality")),
        ("Frame Laterality", _frame_laterality(ds)),
        ("Laterality", texts(ds, "Laterality")),
    ):
        side = values[0].upper() if len(values) == 1 else ""
        if side in LATERALITIES:
            stated[name] = side
    if not stated:
        return None, (Remark(RemarkKind.SIDE, "the file does not state a side"),)
    first = next(iter(stated.values()))
    if len(set(stated.values())) == 1:
        return first, ()
    said = ", ".join(f"{name} {side}" for name, side in stated.items())
    return first, (Remark(RemarkKind.SIDE_CONFLICT, f"statements of the side disagree ({said})"),)


def _frame_laterality(ds: Dataset) -> list[str]:
    if "FrameLaterality" in ds:
        return texts(ds, "FrameLaterality")
    for groups in ("PerFrameFunctionalGroupsSequence", "SharedFunctionalGroupsSequence"):
        for item in items(ds, groups):
            for anatomy in items(item, "FrameAnatomySequence"):
                if "FrameLaterality" in anatomy:
                    return texts(anatomy, "FrameLaterality")
    return []


def read_view(ds: Dataset) -> str | None:
    """View stated by the file: View Position, else the View Code. Only words that name a view are passed on."""
    words = view_words(" ".join(texts(ds, "ViewPosition")))
    if words:
        return " ".join(words)
    for item in items(ds, "ViewCodeSequence"):
        view = coded_view(_concept(item)) or " ".join(view_words(" ".join(texts(item, "CodeMeaning"))))
        if view:
            return view
    return None


def _concept(item: Dataset) -> Code:
    return concept(*(" ".join(texts(item, keyword)) for keyword in ("CodeValue", "CodingSchemeDesignator")))


def read_body_part(ds: Dataset) -> tuple[Remark, ...]:
    """A remark where Body Part Examined names something other than a foot; only terms of the standard are repeated."""
    parts = [part.upper() for part in texts(ds, "BodyPartExamined")]
    if not parts or any(_is_foot(part) for part in parts):
        return ()
    named = parts[0] if parts[0] in BODY_PARTS else "something else"
    return (Remark(RemarkKind.BODY_PART, f"the file says the body part is {named}"),)


def _is_foot(part: str) -> bool:
    return any(word in part for word in _FOOT_INSIDE) or not _FOOT_WORDS.isdisjoint(re.findall("[A-Z]+", part))


def read_loading(ds: Dataset) -> tuple[frozenset[Stated], tuple[Remark, ...]]:
    """Everything that the file says of the load on the foot, with a remark unless it bore its weight by that.

    DICOM has no attribute for it: free text of series, protocol, procedure and comments is read for usual words, and
    coded entries for weight-bearing and for postures.
    """
    stated = frozenset(_statements(ds))
    loading = settle(stated)
    kind = RemarkKind.LOADING_UNKNOWN if loading is Loading.UNKNOWN else RemarkKind.LOADING
    return stated, (Remark(kind, _SAID[loading]),) if loading in _SAID else ()


@cache
def _coded() -> dict[Code, Stated]:
    """CID 19, 20 and 91 of PS3.16 as pydicom has them; its dictionaries hold no code for "not weight-bearing"."""
    from pydicom.sr.codedict import codes

    return {
        codes.SCT.WeightBearing: Stated.LOADED,
        codes.SCT.Standing: Stated.STANDING,
        codes.NCIt.Erect: Stated.STANDING,
        **dict.fromkeys(
            (
                codes.SCT.Recumbent,
                codes.SCT.SemiErect,
                codes.SCT.Supine,
                codes.SCT.Prone,
                codes.SCT.SemiProne,
                codes.SCT.Sitting,
                codes.SCT.LateralDecubitus,
                codes.SCT.LeftLateralDecubitus,
                codes.SCT.RightLateralDecubitus,
            ),
            Stated.AT_REST,
        ),
    }


def _statements(ds: Dataset, depth: int = 0) -> Iterator[Stated]:
    for keyword in _TEXTS:
        for text in texts(ds, keyword):
            yield from stated_in(text)
    if "CodeValue" in ds:
        code = _concept(ds)
        yield from (stated for known, stated in _coded().items() if known == code)
    if depth <= _DEEPEST:
        for sequence in _SEQUENCES:
            for item in items(ds, sequence):
                yield from _statements(item, depth + 1)
