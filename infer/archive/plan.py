"""What is to be read: the files that lie there now against those that the ledger knows."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from raysplay.infer.archive.job import place_of
from raysplay.infer.archive.ledger import Known
from raysplay.infer.films.collect import Candidate
from raysplay.infer.films.film_identity import Stamp, content_digest, forget_bytes, stamp
from raysplay.infer.outputs.names import overlay_name
from raysplay.infer.reason import ReasonKind

_AT_ONCE = 4
"""Files hashed at the same time; a share answers several."""

RETRIED = frozenset(
    (
        *(ReasonKind.PROCESS_DIED, ReasonKind.TIME_LIMIT, ReasonKind.INTERNAL_ERROR),
        *(ReasonKind.OUT_OF_MEMORY, ReasonKind.NO_DECODER),
    )
)
"""Kinds of reason of films that ``--retry`` reads again."""
SETTLED = frozenset((ReasonKind.CONTAINER, ReasonKind.OTHER_FILE, ReasonKind.ENCRYPTED, ReasonKind.DUPLICATE))
"""Kinds of what the listing refuses as it is: that no digest is known of it does not mean that it is tried again."""
_RETRIED = frozenset(kind.value for kind in RETRIED)


@dataclass
class Plan:
    """What a call of the command has to do.

    Attributes
    ----------
    read : list of Candidate
        Files to read, in order.
    known, new, changed, gone, again, settled : int
        Files by what is known of them; ``again``: they gave no result before, or a picture of them is missing;
        ``settled``: among those to read, but refused as they are listed, as before.
    gone_now, back : list of bytes
        Places of files that vanished, and of those that are there again.
    nothing : list of bytes
        Places of vanished files of which nothing was read.
    same : dict
        New stamps of files whose bytes are the same.
    unfounded : set of bytes
        Places of files whose bytes are others now.
    """

    read: list[Candidate] = field(default_factory=list)
    known: int = 0
    new: int = 0
    changed: int = 0
    gone: int = 0
    again: int = 0
    settled: int = 0
    gone_now: list[bytes] = field(default_factory=list)
    back: list[bytes] = field(default_factory=list)
    nothing: list[bytes] = field(default_factory=list)
    same: dict[bytes, Stamp] = field(default_factory=dict)
    unfounded: set[bytes] = field(default_factory=set)

    @property
    def marks(self) -> bool:
        """Whether a table changes though nothing is read."""
        return bool(self.gone_now or self.back or self.nothing)

    @property
    def changes(self) -> bool:
        """Whether a table will change; what gave no result before may give none again."""
        return bool(self.new or self.changed or self.marks)

    def sentence(self) -> str:
        """``1,204 known, 12 new, 1 changed, 3 gone``."""
        said = f"{self.known + self.settled:,} known, {self.new:,} new, {self.changed:,} changed, {self.gone:,} gone"
        return f"{said}, {self.again:,} to be tried again" if self.again else said


def planned(
    candidates: Sequence[Candidate],
    known: Iterable[Known],
    *,
    rehash: bool = False,
    retry: bool = False,
    pictures: frozenset[str] | None = None,
    marks: Callable[[Candidate], Stamp | None] = lambda one: one.marks or stamp(one.path),
    digest: Callable[[Path], str] = content_digest,
) -> Plan:
    """Compare files, in the order of their places, with what is known, in the same order.

    Parameters
    ----------
    rehash : bool
        Whether all bytes are read again, instead of trusting stamps.
    retry : bool
        Whether films that were set aside are read again.
    pictures : frozenset of str, optional
        Names of the pictures that are there, where there should be some.
    marks, digest : callable
        Stamp and digest of a film as the ledger has them.
    """
    plan = Plan()
    forget_bytes()
    doubtful: list[tuple[Candidate, Known, Stamp]] = []
    for candidate, one in _side_by_side(candidates, known):
        if candidate is None:
            assert one is not None
            _vanished(plan, one)
        elif one is None:
            plan.new += 1
            plan.read.append(candidate)
        elif candidate.problem is not None and candidate.problem.kind in SETTLED and not one.digest:
            plan.settled += 1
            plan.read.append(candidate)
        elif not one.digest or (retry and one.kinds & _RETRIED):
            plan.again += 1
            plan.read.append(candidate)
        else:
            now = marks(candidate)
            if now is None or candidate.problem is not None:
                plan.changed += 1
                plan.read.append(candidate)
                plan.unfounded.add(one.place)
            elif rehash or now != one.stamp:
                doubtful.append((candidate, one, now))
            else:
                _unchanged(plan, candidate, one, pictures)
    with ThreadPoolExecutor(_AT_ONCE) as threads:
        digests = threads.map(lambda asked: digest(asked[0].path), doubtful)
        for (candidate, one, now), found in zip(doubtful, digests, strict=True):
            if found == one.digest:
                if now != one.stamp:
                    plan.same[one.place] = now
                _unchanged(plan, candidate, one, pictures)
            else:
                plan.changed += 1
                plan.read.append(candidate)
                plan.unfounded.add(one.place)
    plan.read.sort(key=lambda candidate: place_of(candidate.name))
    return plan


def add_copies(plan: Plan, candidates: Sequence[Candidate], alone: set[bytes]) -> None:
    """Have copies read whose original is no longer there, or has other bytes now."""
    if alone:
        taken = {candidate.path for candidate in plan.read}
        more = [one for one in candidates if place_of(one.name) in alone and one.path not in taken]
        plan.known -= len(more)
        plan.again += len(more)
        plan.read = sorted([*plan.read, *more], key=lambda candidate: place_of(candidate.name))


def drawn_for(name: str, pictures: Sequence[str]) -> bool:
    """Whether pictures bear the name of this film."""
    begin = overlay_name(name, 0, "R").removesuffix("-1R.png")
    return bool(pictures) and all(picture.startswith(begin) for picture in pictures)


def _unchanged(plan: Plan, candidate: Candidate, one: Known, pictures: frozenset[str] | None) -> None:
    if one.gone:
        plan.back.append(one.place)
    if pictures is not None and one.copy_of is None and not pictures.issuperset(one.pictures):
        plan.again += 1
        plan.read.append(candidate)
    else:
        plan.known += 1


def _vanished(plan: Plan, one: Known) -> None:
    if not one.digest or one.copy_of is not None:
        plan.nothing.append(one.place)
        return
    plan.gone += 1
    if not one.gone:
        plan.gone_now.append(one.place)


def _side_by_side(
    candidates: Iterable[Candidate], known: Iterable[Known]
) -> Iterator[tuple[Candidate | None, Known | None]]:
    """Both in the order of places, what stands at the same place together."""
    left, right = iter(candidates), iter(known)
    candidate, one = next(left, None), next(right, None)
    while candidate is not None or one is not None:
        place = None if candidate is None else place_of(candidate.name)
        if one is None or (place is not None and place < one.place):
            yield candidate, None
            candidate = next(left, None)
        elif place is None or one.place < place:
            yield None, one
            one = next(right, None)
        else:
            yield candidate, one
            candidate, one = next(left, None), next(right, None)
