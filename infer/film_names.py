"""Which film of a run is meant by a name that a person wrote."""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Mapping

from raysplay.infer.outputs.names import given_film

_ENDING = re.compile(r"\.[A-Za-z][A-Za-z0-9]{0,4}$")
"""An ending of a file: begins with a letter, so that the numbers of a UID are none."""


class FilmNames:
    """Finds films by what people write for them.

    A name is taken as it stands where the run has it. Else the ending may be missing or in other capitals, and the
    folders in front may be missing, all or the first of them; a name with folders never means a film outside of these.

    Parameters
    ----------
    names : iterable of str
        Films of a run, paths with forward slashes.
    real : mapping of str to str, optional
        For a run under a key for names: from the real name of a film to its identifier, by which it is found as well.

    Attributes
    ----------
    hidden : bool
        Whether names that people write must not come into any output.

    Examples
    --------
    >>> films = FilmNames(["spring/a.dcm", "spring/b.dcm", "autumn/b.dcm"])
    >>> films.meant("a"), films.meant("spring\\\\b.DCM"), films.meant("b")
    (('spring/a.dcm',), ('spring/b.dcm',), ('autumn/b.dcm', 'spring/b.dcm'))
    """

    def __init__(self, names: Iterable[str], real: Mapping[str, str] | None = None) -> None:
        self._names = frozenset(names)
        self.hidden = real is not None
        self._real = {name: film for name, film in (real or {}).items() if film in self._names}
        self._meant: dict[str, set[str]] = defaultdict(set)
        for name, film in {**{name: name for name in self._names}, **self._real}.items():
            parts = _plain(name).split("/")
            for first in range(len(parts)):
                below = "/".join(parts[first:])
                self._meant[_small_ending(below)].add(film)
                self._meant[_ENDING.sub("", below)].add(film)

    def __len__(self) -> int:
        return len(self._names)

    def meant(self, given: str) -> tuple[str, ...]:
        """The film of that name; else all that the name could mean, none or several of them too."""
        name = given_film(given)
        if name in self._names:
            return (name,)
        if name in self._real:
            return (self._real[name],)
        return tuple(sorted(self._meant.get(_small_ending(_plain(name)), ())))

    def examples(self, count: int = 3) -> str:
        """The first few names, for a message."""
        first = sorted(self._names)[:count]
        return ", ".join(first) + (", ..." if len(self._names) > count else "")


def _plain(name: str) -> str:
    """A name without the difference between composed and decomposed letters, which depends on the system."""
    return unicodedata.normalize("NFC", name)


def _small_ending(name: str) -> str:
    return _ENDING.sub(lambda ending: ending[0].lower(), name)
