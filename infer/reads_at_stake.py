"""Reads of people in a folder that is measured into again: none is lost, and none is passed on unasked."""

from __future__ import annotations

import contextlib
from pathlib import Path


def reads_at_stake(folder: Path, keep: bool = False, *, grows: bool = False) -> str:
    """Why the run of a folder must not be replaced, in a sentence: people have read its films; empty if nobody did.

    Parameters
    ----------
    keep : bool
        Whether the reads will be carried over; what cannot be seen or counted is still said.
    grows : bool
        Whether the run stays and films are added to it: then reads of the folder's own store are carried over unasked.
    """
    from raysplay.infer.outputs.run_files import STORE
    from raysplay.infer.review.other_stores import stores_noted
    from raysplay.infer.review.reads_found import reads_in

    found = reads_in(folder)
    if found.problem:
        return f"{found.problem}. Restore a copy of it or move it away, or choose another folder"
    if keep:
        return ""
    if found and not grows:
        return (
            f"{folder / STORE}: holds {found.reads} reads of {found.feet} feet of the run that would be replaced. "
            f"{_choices(folder)} pass --keep-reads as well: a read stands where film, side and points are the same, "
            "else its foot is open again and the read is in its history"
        )
    if stores := stores_noted(folder):
        return (
            f"{folder}: its run was reviewed with {', '.join(stores)}, whose reads cannot be counted or carried over "
            f"from here. {_choices(folder, ' --store ADDRESS')} pass --keep-reads as well: they stay in that store, "
            "with the earlier run"
        )
    return ""


def _choices(folder: Path, store: str = "") -> str:
    """What can be done first; an export only where it would not refuse the run that stands in the folder."""
    from raysplay.infer.outputs.finished_run import RunError, read_run

    try:
        read_run(folder)
    except RunError:
        return "This version can no longer export that run. Either choose another folder, or"
    return f"Either choose another folder; or raysplay export {folder}{store} --out ELSEWHERE first, and then"


def holds_reads(folder: Path) -> str:
    """The same for a folder whose films are measured for a comparison alone, where no reads are carried over."""
    from raysplay.infer.review.reads_found import reads_in

    found = reads_in(folder)
    held = found.problem or (f"{folder}: holds {found.reads} reads of {found.feet} feet" if found else "")
    return f"{held}. Move it away, or choose another folder" if held else ""


def note_reads(folder: Path) -> bool:
    """Whether the folder holds reads; what they were made on is noted while their run still stands."""
    from raysplay.infer.review.reads_found import reads_in

    if not reads_in(folder):
        return False
    from raysplay.infer.outputs.finished_run import RunError
    from raysplay.infer.review.carry_over import note_grounds
    from raysplay.infer.review.store import StoreError

    # Without, their feet will be open again; the reads themselves are kept either way.
    with contextlib.suppress(RunError, StoreError):
        note_grounds(folder)
    return True


def carried_reads(folder: Path) -> str:
    """Let the new run take over the reads of the one before; what became of them, in a sentence."""
    from raysplay.infer.outputs.finished_run import RunError
    from raysplay.infer.review.carry_over import carry_over
    from raysplay.infer.review.store import StoreError

    try:
        return carry_over(folder).sentence()
    except (RunError, StoreError) as error:
        return (
            f"The reads of the earlier run are kept, but were not carried over yet: {error}. raysplay review does so."
        )
