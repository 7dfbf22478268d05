"""Reads a line of writing: the way it lies, its characters and how sure each is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from raysplay.infer.films.character_network import CHARACTERS, NETWORK, CharacterNetwork
from raysplay.infer.films.writing_line import BEYOND, CAPITAL, WIDEST, Box, Cut, Grey, Piece, Way, cut, gaps
from raysplay.infer.settings import FilmWordSettings
from raysplay.infer.shipped_weights import of_network

OTHER = len(CHARACTERS)
"""The number of what is no character."""

_LEAST = 1e-3
"""Chance below which none is told apart."""
WELL_READ = 0.5
"""Mean score of characters from which on a line lies as it is thought to."""
_HOPELESS = 0.02
"""Mean score below which a line is no writing, and nothing is cut apart."""
_SPLIT = 0.7
"""Widths in heights from which on a doubtful character may be several."""
_DOUBTFUL, FEWEST_EVEN = 0.2, 0.6
"""Mean score below which a line is left where fewer of its parts are as tall as capitals."""
_LESS_EVEN = 0.2
"""By how much smaller the share of parts of one height may be for the other polarity to be tried, too."""
_FEW = 8
"""Characters by which it is told how a line lies."""
_TURNED, _MIRRORED = 0.15, 0.3
"""By how much a reading that is not upright must be surer, in the mean of its characters' logarithms."""


@dataclass(frozen=True)
class Character:
    """One character: its chances (K,) in the network's order, if it lies in the box, the gap before it in heights."""

    chances: npt.NDArray[np.float64]
    inside: bool
    gap: float

    @property
    def best(self) -> int:
        """The number of the likeliest character."""
        return int(self.chances[:OTHER].argmax())

    @property
    def score(self) -> float:
        """How sure the best is, 0..1; as good as nothing for what is no character."""
        return float(self.chances[self.best])


@dataclass(frozen=True)
class ReadLine:
    """A line as it was read: its box on the film, how it lies there, and its characters in their order."""

    box: Box
    way: Way
    characters: tuple[Character, ...]

    @property
    def surety(self) -> float:
        """Mean of the logarithms of scores of what lies in the box; what is surest is 0."""
        inside = [max(one.score, _LEAST) for one in self.characters if one.inside]
        return float(np.log(inside).mean()) if inside else float(np.log(_LEAST))


@lru_cache(maxsize=1)
def character_network() -> CharacterNetwork:
    """The network with the weights that ship.

    Raises
    ------
    WeightsError
        If they are missing or damaged.
    """
    return CharacterNetwork.read(of_network(NETWORK))


def read_line(grey: Grey, box: Box, settings: FilmWordSettings) -> ReadLine | None:
    """The surest reading of a line; None where no character is to be seen.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
    box : Box
        Of :func:`~.burnt_in_text.text_boxes`.
    settings : FilmWordSettings
    """
    best: tuple[float, Way, Cut] | None = None
    polarities: tuple[bool, ...] = (True, False)
    for way in _ways(box):
        cuts = {bright: cut(grey, box, way, bright=bright) for bright in polarities}
        made = {bright: one for bright, one in cuts.items() if one is not None}
        for one in made.values():
            rank = _surety(_seen(one, _FEW)) - (_MIRRORED if way.mirrored else 0 if way.upright else _TURNED)
            if best is None or rank > best[0]:
                best = rank, way, one
        if best is None:
            return None
        if best[0] >= np.log(WELL_READ):
            break
        evenest = max((one.even for one in made.values()), default=0.0)
        if best[0] < np.log(_DOUBTFUL) and evenest < FEWEST_EVEN:
            break
        # The ground between letters is no writing: which of both is, their heights tell however the line lies.
        polarities = tuple(bright for bright, one in made.items() if one.even >= evenest - _LESS_EVEN) or polarities
    assert best is not None
    _, way, straight = best
    straight = straight.with_faint()
    return ReadLine(box, way, tuple(_characters(straight, _seen(straight), settings)))


_Seen = list[tuple[Piece, npt.NDArray[np.float64]]]
"""Pieces, and the chances of what each is."""


def _seen(made: Cut, most: int | None = None) -> _Seen:
    """Every group as one character; of many only so many, evenly spread over the box."""
    groups = list(range(len(made.spans)))
    if most is not None:
        groups = [k for k in groups if made.box[0] <= sum(made.spans[k]) / 2 <= made.box[1]]
        groups = [groups[k * len(groups) // most] for k in range(most)] if len(groups) > most else groups
    if not groups:
        return []
    whole = [made.piece(group) for group in groups]
    chances = character_network().read_patches(np.stack([one.patch for one in whole]))
    chances[[made.blocked[one.group] or _wide(one) for one in whole]] = _nothing()
    return list(zip(whole, chances, strict=True))


def _surety(seen: _Seen) -> float:
    """Mean of the logarithms of scores of what lies in the box; what is surest is 0."""
    inside = [max(float(chances[:OTHER].max()), _LEAST) for piece, chances in seen if piece.inside]
    return float(np.log(inside).mean()) if inside else float(np.log(_LEAST))


def _ways(box: Box) -> Iterator[Way]:
    """How the line of a box may lie, the usual first; both along and down where it is about square."""
    wide, high = box[2] - box[0], box[3] - box[1]
    for down in (False, True):
        if (high if down else wide) >= 0.8 * (wide if down else high):
            ways = [Way(down, back, over) for back in (False, True) for over in (False, True)]
            yield from sorted(ways, key=lambda way: way.mirrored)


def _characters(made: Cut, seen: _Seen, settings: FilmWordSettings) -> Iterator[Character]:
    """The characters of a line, groups in doubt cut apart where that is likelier."""
    read: _Seen = []
    hopeless = _surety(seen) < np.log(_HOPELESS)
    for one, chances in sorted(seen, key=lambda each: each[0].left):
        wide = one.right - one.left >= _SPLIT * CAPITAL and not made.blocked[one.group]
        doubtful = wide and not hopeless and chances[:OTHER].max() < settings.sure
        read += _apart(made, one, chances) if doubtful else [(one, chances)]
    read = _near(read)
    for (piece, chances), gap in zip(read, (0.0, *gaps([piece for piece, _ in read])), strict=True):
        yield Character(chances, piece.inside, gap)


def _near(read: _Seen) -> _Seen:
    """Without what lies past the box, further from the next character than a line goes on."""
    inside = [k for k, (piece, _) in enumerate(read) if piece.inside]
    if not inside:
        return read
    first, last = inside[0], inside[-1]
    between = gaps([piece for piece, _ in read])
    while first > 0 and between[first - 1] <= BEYOND:
        first -= 1
    while last < len(read) - 1 and between[last] <= BEYOND:
        last += 1
    return read[first : last + 1]


def _wide(piece: Piece) -> bool:
    return piece.right - piece.left > WIDEST * CAPITAL


def _nothing() -> npt.NDArray[np.float64]:
    return np.array([0.0] * OTHER + [1.0])


def _apart(made: Cut, whole: Piece, chances: npt.NDArray[np.float64]) -> _Seen:
    """A group as the likeliest row of characters, by all ways to cut it; as one where none is likelier."""
    ends = made.cuts(whole.group)
    last = len(ends) - 1
    spans = [(i, j) for i in range(last) for j in range(i + 1, last + 1) if (i, j) != (0, last)]
    pieces = {(i, j): made.piece(whole.group, ends[i], ends[j]) for i, j in spans}
    pieces = {span: piece for span, piece in pieces.items() if not _wide(piece)}
    if not pieces:
        return [(whole, chances)]
    read = character_network().read_patches(np.stack([one.patch for one in pieces.values()]))
    known = {span: (pieces[span], one) for span, one in zip(pieces, read, strict=True)}
    known[0, last] = (whole, chances)
    best: list[tuple[float, list[tuple[int, int]]]] = [(0.0, [])]
    for j in range(1, last + 1):
        ways = [
            (best[i][0] + float(np.log(max(known[i, j][1][:OTHER].max(), _LEAST))), [*best[i][1], (i, j)])
            for i in range(j)
            if (i, j) in known
        ]
        best.append(max(ways, default=(-np.inf, []), key=lambda way: way[0]))
    return [known[span] for span in best[-1][1]]
