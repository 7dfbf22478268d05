"""Whether two films are of one person, of which sex and age, and when a film was taken, without keeping who that is.

A film's identifier is its Patient ID together with the Issuer of Patient ID (DICOM PS3.3, C.7.1.1): without the issuer
an identifier is unique in one institution only. Neither leaves the decoding process. What leaves it is a code by
HMAC-SHA256 (RFC 2104) under a key that is drawn for one run and forgotten with it: identifiers are short and could be
tried out under a key that anybody can read, but not under one that no longer exists. Codes of two runs cannot be
compared.

Sex and age are for groups in a report of a run. An age leaves the decoding process as a band of ten years, open from 90
on: exact ages help to find somebody, those of the oldest most of all (45 CFR 164.514(b)(2)(i)(C), from memory).
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from datetime import date
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

_DIGITS = 16
"""Hexadecimal digits of a code: among 100,000 persons two share one with a probability of about 3e-10."""

# What stands in the place of an identifier and may be shared by any number of persons: common practice, no source.
_NOBODY = re.compile(
    r"(.)\1*|[\W_0]*(anon(ymous|ymi[sz]ed)?|unknown|unbekannt|none|null|nil|n/?a|no ?id|test|phantom|patient|removed"
    r"|redacted|de-?identified|emergency|trauma)[\W_0]*",
    re.IGNORECASE,
)

_SEXES = {"M": "M", "F": "F", "O": "O"}
"""Enumerated values of Patient's Sex (DICOM PS3.3, C.7.1.1)."""

_BAND_YEARS, _OPEN_FROM, _OLDEST = 10, 90, 130
_AGE = re.compile(r"(\d{3})([DWMY])")
"""Value representation AS (DICOM PS3.5, 6.2)."""
_PER_YEAR = {"D": 365.25, "W": 365.25 / 7.0, "M": 12.0, "Y": 1.0}

AGE_BANDS = (
    *(f"{first} to {first + _BAND_YEARS - 1}" for first in range(0, _OPEN_FROM, _BAND_YEARS)),
    f"{_OPEN_FROM} and over",
)
"""Years, the youngest first. A sign between the numbers would make some of them dates in a spreadsheet."""

_DATES = ("AcquisitionDate", "AcquisitionDateTime", "StudyDate")


def new_key() -> str:
    """A key for the codes of one run, in hexadecimal digits; never to be written anywhere."""
    return secrets.token_hex(32)


def person_code(ds: Dataset, key: str) -> str:
    """Code of the person on a film; empty without a key, without an identifier, or where it stands for nobody.

    Parameters
    ----------
    ds : Dataset
    key : str
        Of :func:`new_key`; empty for none.
    """
    try:
        name, issuer = (str(ds.get(keyword) or "").strip() for keyword in ("PatientID", "IssuerOfPatientID"))
    except Exception:  # a header that cannot be read names nobody
        return ""
    if not key or not name or _NOBODY.fullmatch(name):
        return ""
    message = b"".join(len(text).to_bytes(4, "big") + text for text in (name.encode(), issuer.encode()))
    return hmac.new(bytes.fromhex(key), message, hashlib.sha256).hexdigest()[:_DIGITS]


def date_taken(ds: Dataset) -> str:
    """Day on which a film was taken, else that of its study, as ISO 8601 writes it; empty where the file has none."""
    for keyword in _DATES:
        try:
            digits = str(ds.get(keyword) or "").strip().replace(".", "")[:8]  # older files write 1998.02.11
            if digits.isdecimal():
                return date.fromisoformat(digits).isoformat()
        except Exception:  # no date, or not to be read: the next one may be
            continue
    return ""


def sex(ds: Dataset) -> str:
    """Sex that a file states: ``M``, ``F`` or ``O`` (other), as the standard writes it; empty where it states none."""
    try:
        return _SEXES.get(str(ds.get("PatientSex") or "").strip().upper(), "")
    except Exception:  # a header that cannot be read states nothing
        return ""


def age_band(ds: Dataset) -> str:
    """Band of the person's age when the film was taken, of :data:`AGE_BANDS`; empty where the file tells none.

    Patient's Age comes first, then the birth date with the day of the film.
    """
    years = _stated_years(ds)
    if years is None:
        years = _years_since_birth(ds)
    if years is None or not 0 <= years <= _OLDEST:
        return ""
    return AGE_BANDS[min(int(years), _OPEN_FROM) // _BAND_YEARS]


def _stated_years(ds: Dataset) -> float | None:
    try:
        found = _AGE.fullmatch(str(ds.get("PatientAge") or "").strip().upper())
    except Exception:
        return None
    return int(found[1]) / _PER_YEAR[found[2]] if found else None


def _years_since_birth(ds: Dataset) -> float | None:
    try:
        digits = str(ds.get("PatientBirthDate") or "").strip().replace(".", "")[:8]
        born, taken = date.fromisoformat(digits), date.fromisoformat(date_taken(ds))
    except Exception:  # no day, or not to be read
        return None
    return taken.year - born.year - ((taken.month, taken.day) < (born.month, born.day))
