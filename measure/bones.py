"""Bones in words, from their names in the landmark schema (``configs/landmarks.yaml``)."""

from __future__ import annotations

import re

ORDINALS = {1: "first", 2: "second", 3: "third", 4: "fourth", 5: "fifth"}
"""Rays in words, counted from the great toe."""

SHAFTS = {
    **{f"M{ray}": f"metatarsal_{ray}" for ray in ORDINALS},
    **{"PP" if ray == 1 else f"PP{ray}": f"proximal_phalanx_{ray}" for ray in ORDINALS},
}
"""Bones with cortex landmarks at two levels of their shaft: stem of the landmarks' codes, and name in the schema."""


def bone_words(bone: str) -> str:
    """A bone of the schema in words.

    Examples
    --------
    >>> bone_words("metatarsal_4"), bone_words("proximal_phalanx_1"), bone_words("medial_cuneiform")
    ('fourth metatarsal', 'proximal phalanx of the great toe', 'medial cuneiform')
    """
    found = re.fullmatch(r"(.+)_([1-5])", bone)
    if found is None:
        return bone.replace("_", " ")
    name, ray = found[1].replace("_", " "), int(found[2])
    if name == "metatarsal":
        return f"{ORDINALS[ray]} {name}"
    return f"{name} of the {'great' if ray == 1 else ORDINALS[ray]} toe"
