"""What a header's free text says of body part and view, as terms of a closed list: no text of it is passed on."""

from __future__ import annotations

from pydicom.dataset import Dataset

from raysplay.infer.films.header import DESCRIPTIONS, items, texts
from raysplay.infer.films.stated_terms import DORSOPLANTAR, FOOT, terms_in

_TEXTS = ("BodyPartExamined", *DESCRIPTIONS, "ViewPosition")
_CODED = ("AnatomicRegionSequence", "ViewCodeSequence", "ProcedureCodeSequence", "RequestedProcedureCodeSequence")


def stated_terms(ds: Dataset) -> tuple[str, ...]:
    """Terms for parts and views that the header names, in the order of the configuration.

    A View Position of ``AP`` on a foot is a dorsoplantar one (the beam enters at the back of the foot; common practice,
    no source); on anything else it says nothing here.
    """
    said = [text for keyword in _TEXTS for text in texts(ds, keyword)]
    said += [text for sequence in _CODED for item in items(ds, sequence) for text in texts(item, "CodeMeaning")]
    found = list(terms_in(" | ".join(said)))
    if FOOT in found and DORSOPLANTAR not in found and {"AP"} & {text.upper() for text in texts(ds, "ViewPosition")}:
        found.append(DORSOPLANTAR)
    return tuple(found)
