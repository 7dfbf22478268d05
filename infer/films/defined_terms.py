"""Terms of the standard that a header may hold: no other text of it is ever shown."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # the codes are loaded when a header is read: every decoding process starts without them
    from pydicom.sr.coding import Code


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


# PS3.16, annex L, table L-1: the terms of Body Part Examined for regions of the skeleton and of the trunk, by a public
# copy of the table. Terms of vessels and inner organs are left out; such a film says "something else".
BODY_PARTS = _words(
    "ABDOMEN ABDOMENPELVIS ACJOINT ANKLE ARM BACK BREAST BUTTOCK CALCANEUS CALF CHEST CHESTABDOMEN CHESTABDPELVIS "
    "CLAVICLE COCCYX CSPINE CTSPINE ELBOW EXTREMITY FACE FEMUR FIBULA FINGER FOOT FOREARM HAND HEAD HEADNECK HIP "
    "HUMERUS ILIUM JAW KNEE LEG LSPINE LSSPINE LUNG MASTOID MAXILLA NECK NECKCHEST NOSE ORBIT PATELLA PELVIS RADIUS "
    "RADIUSULNA RIB SCAPULA SCJOINT SELLA SESAMOID SHOULDER SIJOINT SKULL SPINE SSPINE STERNUM THIGH THORAX THUMB "
    "TIBIA TIBIAFIBULA TLSPINE TMJ TOE TSPINE ULNA WHOLEBODY WRIST ZYGOMA"
)

# View Position of PS3.3, C.8.7.1.1.2 in the first row; the others are common practice, no source.
_VIEW_WORDS = _words(
    "AP PA LL RL RLD LLD RLO LLO "
    "DP PD DV LAT LATERAL ML LM MLO LMO OBL OBLIQUE AXIAL TANGENTIAL FRONTAL MEDIAL MEDIO LATERO ANTERO POSTERO "
    "ANTERIOR POSTERIOR DORSOPLANTAR PLANTODORSAL DORSO PLANTO DORSAL PLANTAR SAGITTAL"
)


@lru_cache(maxsize=1)
def modalities() -> frozenset[str]:
    """Defined terms of Modality (PS3.3, C.7.3.1.1.1), which are the values of CID 33."""
    from pydicom.sr.codedict import codes

    return frozenset(str(getattr(codes.cid33, name).value) for name in codes.cid33.dir())


def concept(value: str, scheme: str) -> Code:
    """A coded entry that compares with those of the library, whatever name the file has for SNOMED.

    SNOMED CT identifiers are numbers, the older SNOMED codes of DICOM begin with a letter (PS3.16, 8.1).
    """
    from pydicom.sr.coding import Code

    snomed = scheme.upper() in ("", "SCT", "SRT", "SNM3", "99SDM") or scheme.upper().startswith("SNOMED")
    if not snomed:
        return Code(value, scheme, "")
    return Code(value, "SCT" if value.isdigit() else "SRT", "")


@lru_cache(maxsize=1)
def _views() -> tuple[Code, ...]:
    from pydicom.sr.codedict import codes

    return tuple(getattr(codes.cid4010, name) for name in codes.cid4010.dir())


def coded_view(code: Code) -> str | None:
    """Meaning of a View Code (CID 4010) as the standard has it, whatever the file calls it; None if unknown."""
    # Compared one by one: the library maps older codes when it compares, not when it hashes.
    return next((str(known.meaning) for known in _views() if known == code), None)


def view_words(text: str) -> list[str]:
    """Those words of ``text`` that name a view, in their order."""
    letters = "".join(c if c.isascii() and c.isalpha() else " " for c in text.upper())
    return [word for word in letters.split() if word in _VIEW_WORDS]
