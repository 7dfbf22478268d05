"""Words on the film that tell how the foot was loaded: printed by the machine, or laid on it in lead.

Lines of writing (:mod:`.burnt_in_text`) are read character by character (:mod:`.read_line`), and what they say is told
by the rules for words of a header (:mod:`.loading_words`). A line counts only where every word of it is known, since
writing holds names, and every character is beyond doubt, since a lost "non" turns the sense round; so it does where it
stands close above or below. No text leaves this module, only statements of that closed list.
What is found, missed and mistaken stands in ``infer/films/GUIDE.md``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import numpy.typing as npt

from raysplay.infer.films.burnt_in_text import Boxes
from raysplay.infer.films.character_network import CHARACTERS
from raysplay.infer.films.defined_terms import view_words
from raysplay.infer.films.film import Film, FoundWriting
from raysplay.infer.films.loading import Loading, Stated, settle
from raysplay.infer.films.loading_words import beside, stated_in
from raysplay.infer.films.read_line import FEWEST_EVEN, OTHER, WELL_READ, Character, ReadLine, read_line
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.films.stated_terms import terms_in
from raysplay.infer.films.writing_line import BEYOND, Box, cut, height_of
from raysplay.infer.settings import FilmWordSettings, WordGap, reading_settings
from raysplay.measure.sides import side_of

_COVERED = 0.7
"""Share of a box within that of a line which was read, from which on it is the same line, or a part of it."""
_HALF = 0.5
_LINE_STEP, _TAKEN = 1.6, 0.4
"""From a line to the next, in heights; share of the next one's place, or of a line that was found, which lies in the
other from which on it is that line's place."""
_MOST_SPELLINGS = 400
"""Of a line with words in doubt; with more it is left."""
_SAYS = {
    Loading.FULL: "weight-bearing",
    Loading.PARTIAL: "partly weight-bearing",
    Loading.SIMULATED: "simulated weight-bearing",
    Loading.NONE: "not weight-bearing",
    Loading.CONTRADICTORY: "what contradicts itself or cannot be understood",
}


@dataclass(frozen=True)
class _Told:
    """What a line says: its text, None where a character is in doubt; whether all its words are known."""

    line: ReadLine
    text: str | None
    known: bool

    @property
    def states(self) -> bool:
        return self.text is not None and self.known and any(stated_in(self.text))


def with_words(film: Film, settings: FilmWordSettings | None = None) -> Film:
    """The film with what words on it say of the load, settled together with what its file says.

    Only a film whose remarks tell of writing is looked at.

    Raises
    ------
    WeightsError
        If the weights that ship are missing or damaged.
    """
    if not any(remark.kind is RemarkKind.BURNT_IN_TEXT for remark in film.remarks):
        return film
    boxes = film.writing
    film = replace(film, found_writing=FoundWriting(film.pixels, boxes))  # so that nobody looks twice
    said = statements_on(film.pixels, boxes, settings)
    if not said:
        return film
    read, loading = settle(said), settle(said | film.loading_stated)
    told = f"words on the film, read off the picture and unproven, say: {_SAYS[read]}"
    silent = not film.loading_stated
    against = {Loading.UNKNOWN: "; the file says nothing of it", read: "; the file says the same"}
    file = settle(film.loading_stated)
    told += against.get(file, f"; the file says: {_SAYS[file]}" if not silent else "")
    kept = tuple(remark for remark in film.remarks if remark.kind is not RemarkKind.LOADING_UNKNOWN)
    remarks = (*kept, Remark(RemarkKind.LOADING_READ, told))
    return replace(film, loading=loading, loading_read=read, remarks=remarks)


def statements_on(
    pixels: npt.NDArray[np.floating], boxes: Boxes, settings: FilmWordSettings | None = None
) -> frozenset[Stated]:
    """Every statement on loading that is written on a film.

    Parameters
    ----------
    pixels : ndarray, shape (H, W)
        Grey values 0 to 1.
    boxes : ndarray of int, shape (N, 4)
        Of :func:`~.burnt_in_text.text_boxes`.
    settings : FilmWordSettings, optional
        Those of ``reading.yaml`` by default.

    Returns
    -------
    frozenset of Stated

    Raises
    ------
    WeightsError
        If the weights that ship are missing or damaged.
    """
    settings = settings or reading_settings().film_words
    if not len(boxes):
        return frozenset()
    grey = (np.clip(pixels, 0.0, 1.0) * np.float32(255.0)).astype(np.uint8)
    told = [_told(line, settings) for line in _lines(grey, boxes, settings)]
    for one in [one for one in told if one.states]:
        told += _not_found(grey, one.line, [other.line for other in told], settings)
    return frozenset(stated for run in _runs(told, settings) for stated in stated_in(run))


def _lines(grey: npt.NDArray[np.uint8], boxes: Boxes, settings: FilmWordSettings) -> list[ReadLine]:
    """The lines of a film, each once: what lies over one that was well read is left out."""
    sizes = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    lines: list[ReadLine] = []
    tried: list[Box] = []
    for k in np.argsort(-sizes, kind="stable")[: settings.lines_max].tolist():
        left, top, right, bottom = boxes[k].tolist()
        box = left, top, right, bottom
        if any(_covered(box, one.box) and one.surety > np.log(WELL_READ) for one in lines):
            continue
        if any(_covered(box, one) and _covered(one, box) for one in tried):
            continue
        tried.append(box)
        line = read_line(grey, box, settings)
        if line is not None:
            lines = [one for one in lines if not (_covered(box, one.box) and line.surety > one.surety)]
            lines.append(line)
    well = [one for one in lines if one.surety > np.log(WELL_READ)]
    return [
        one
        for one in lines
        if any(one is known for known in well) or not any(_same_place(one.box, other.box) for other in well)
    ]


def _not_found(
    grey: npt.NDArray[np.uint8], line: ReadLine, lines: list[ReadLine], settings: FilmWordSettings
) -> Iterator[_Told]:
    """What stands close above and below a line and was not found as writing, read or not: it may be a "non"."""
    height, (left, top, right, bottom) = height_of(line.box), line.box
    for step in (-_LINE_STEP * height, _LINE_STEP * height):
        x, y = (round(step), 0) if line.way.down else (0, round(step))
        box = max(left + x, 0), max(top + y, 0), min(right + x, grey.shape[1]), min(bottom + y, grey.shape[0])
        if min(box[2] - box[0], box[3] - box[1]) < height or any(
            max(_share(box, one.box), _share(one.box, box)) > _TAKEN for one in lines
        ):
            continue
        cuts = [cut(grey, box, line.way, bright=bright) for bright in (True, False)]
        if any(one is not None and one.even >= FEWEST_EVEN and one.inside >= 2 for one in cuts):
            read = read_line(grey, box, settings)
            same = read is not None and read.way == line.way
            yield (
                _told(read, settings) if read is not None and same else _Told(replace(line, box=box), None, known=False)
            )


def _share(box: Box, other: Box) -> float:
    """Share of a box that lies within another."""
    wide = min(box[2], other[2]) - max(box[0], other[0])
    high = min(box[3], other[3]) - max(box[1], other[1])
    return max(wide, 0) * max(high, 0) / ((box[2] - box[0]) * (box[3] - box[1]))


def _same_place(box: Box, other: Box) -> bool:
    """Whether half of either box lies in the other: what of it can be read is the line that was read there."""
    return max(_share(box, other), _share(other, box)) >= _HALF


def _covered(box: Box, other: Box) -> bool:
    return _share(box, other) >= _COVERED


def _told(line: ReadLine, settings: FilmWordSettings) -> _Told:
    """What a line says, its words told apart by the first of the gaps by which all are known, else by the first."""
    told = [_told_apart(line, list(_words(line, gap)), settings) for gap in settings.gaps]
    return next((one for one in told if one.states), next((one for one in told if one.known), told[0]))


def _told_apart(line: ReadLine, words: list[list[Character]], settings: FilmWordSettings) -> _Told:
    unread = _Told(line, None, known=False)
    if not line.way.upright and sum(len(word) for word in words) < settings.long:
        return unread
    choices = [_spellings(word, settings) for word in words]
    if not all(choices) or np.prod([len(one) for one in choices]) > _MOST_SPELLINGS:
        return unread
    if all(len(one) == 1 for one in choices):
        text = " ".join(one for (one,) in choices)
        return _Told(line, text, _all_known(text, settings))
    texts = [" ".join(one) for one in product(*choices)]
    known = [text for text in texts if _all_known(text, settings) and any(stated_in(text))]
    if len({frozenset(stated_in(text)) for text in known}) != 1:
        return unread
    return _Told(line, known[0], known=True)


def _spellings(word: list[Character], settings: FilmWordSettings) -> list[str]:
    """What a word may be: one where no character is in doubt, several where one of a long word is, else none."""
    text = "".join(CHARACTERS[one.best] for one in word)
    if _number(word, settings.sure):
        return [text.replace("O", "0").replace("I", "1")]
    long = len(word) >= settings.long
    doubtful = [k for k, one in enumerate(word) if one.score < (settings.sure if long else settings.sure_short)]
    if not doubtful:
        return [text]
    if len(doubtful) > 1 or not long:
        return []
    (k,) = doubtful
    possible = np.flatnonzero(word[k].chances[:OTHER] >= settings.possible)
    return [f"{text[:k]}{CHARACTERS[choice]}{text[k + 1 :]}" for choice in possible]


def _words(line: ReadLine, gap: WordGap) -> Iterator[list[Character]]:
    """Characters of a line by words."""
    usual = float(np.median([one.gap for one in line.characters]))
    word: list[Character] = []
    for one in line.characters:
        if word and one.gap >= max(gap.least, usual + gap.wider):
            yield word
            word = []
        word.append(one)
    if word:
        yield word


def _number(word: list[Character], sure: float) -> bool:
    """Whether a word is of figures, half of them beyond doubt at least, so that another one changes nothing."""
    figures = [CHARACTERS[one.best] for one in word if one.score >= sure and CHARACTERS[one.best] in "23456789OI"]
    return 2 * len(figures) >= len(word) and any(one.isdigit() for one in figures)


def _all_known(text: str, settings: FilmWordSettings) -> bool:
    """Whether no word of a text is a name, or anything else that nobody knows."""
    return all(
        any(c.isdigit() for c in word)
        or side_of(word) is not None
        or word in settings.beside
        or bool(view_words(word))
        or bool(terms_in(word))
        for word in beside(text)
    )


def _runs(told: list[_Told], settings: FilmWordSettings) -> Iterator[str]:
    """Texts of lines one below the other that are known word for word; none where what says something has a line
    beside it that could not be read.
    """
    for block in _blocks(told, settings):
        run: list[_Told] = []
        before: _Told | None = None
        for one in (*_joined(block, settings), None):
            if one is not None and one.text is not None and one.known:
                run.append(one)
                continue
            unread = (before is not None and before.text is None, one is not None and one.text is None)
            if run and not (unread[0] and run[0].states) and not (unread[1] and run[-1].states):
                yield " ".join(each.text or "" for each in run)
            run, before = [], one


def _joined(block: list[_Told], settings: FilmWordSettings) -> Iterator[_Told]:
    """Lines of a block, two taken as one where only together every word is known: WEIGHT above BEARING."""
    left = list(block)
    while left:
        one = left.pop(0)
        if left and one.text is not None and left[0].text is not None and not (one.known or left[0].known):
            text = f"{one.text} {left[0].text}"
            if _all_known(text, settings):
                one = _Told(left.pop(0).line, text, known=True)
        yield one


def _blocks(told: list[_Told], settings: FilmWordSettings) -> Iterator[list[_Told]]:
    """Lines that lie close one below the other and the same way, in the order in which they are read."""
    left = list(told)
    while left:
        block, new = [left[0]], [left.pop(0)]
        while new:
            one = new.pop()
            near = [other for other in left if _beside(one.line, other.line, settings)]
            left = [other for other in left if other not in near]
            block += near
            new += near
        yield sorted(block, key=lambda one: _place(one.line)[1][0])


def _place(line: ReadLine) -> tuple[tuple[float, float], tuple[float, float]]:
    """Where a line begins and ends, and its first and last row, as it is read."""
    left, top, right, bottom = line.box
    along, across = ((top, bottom), (left, right)) if line.way.down else ((left, right), (top, bottom))
    return (
        (-along[1], -along[0]) if line.way.back else along,
        (-across[1], -across[0]) if line.way.over else across,
    )


def _beside(one: ReadLine, other: ReadLine, settings: FilmWordSettings) -> bool:
    if one.way != other.way:
        return False
    far = max(height_of(one.box), height_of(other.box))
    (along, across), (other_along, other_across) = _place(one), _place(other)
    apart = max(across[0], other_across[0]) - min(across[1], other_across[1])
    aside = max(along[0], other_along[0]) - min(along[1], other_along[1])
    return apart <= settings.lines_apart * far and aside <= BEYOND * far
