"""The order in which landmarks stand in an array."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class LandmarkSchema:
    """Names of the landmarks in array order, with the bone each one lies on.

    The list itself is data (``configs/landmarks.yaml``); this class only gives it an index.

    Parameters
    ----------
    codes : tuple of str
        Landmark codes, unique, in the order of the second axis of every point array.
    bones : tuple of str
        Bone of each landmark, same length.

    Raises
    ------
    ValueError
        If lengths differ or a code stands twice.
    """

    codes: tuple[str, ...]
    bones: tuple[str, ...]
    _index: dict[str, int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if len(self.codes) != len(self.bones):
            raise ValueError("every landmark needs exactly one bone")
        if len(set(self.codes)) != len(self.codes):
            raise ValueError("a landmark code stands twice")
        object.__setattr__(self, "_index", {code: i for i, code in enumerate(self.codes)})

    def __len__(self) -> int:
        return len(self.codes)

    def index(self, code: str) -> int:
        """Position of ``code`` in the landmark axis; KeyError if unknown."""
        return self._index[code]
