"""What becomes of damaged films: ``raysplay damage FILMS --out DIR``.

Of every film copies are made in which one byte or one bit is changed. Each is read, and its angles are set against
those of the sound film: a copy whose angles moved must not be accepted. The seed fixes every copy; ``--inside-dicom``
lays JPEG films into DICOM (JPEG Baseline) before they are damaged.
"""

from __future__ import annotations

import csv
import hashlib
import io
import tempfile
import zlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import typer
from PIL import Image
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.uid import JPEGBaseline8Bit, SecondaryCaptureImageStorage, generate_uid

from raysplay.configs import landmark_schema
from raysplay.configs.protocol import protocol
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.collect import Candidate, collect
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.outputs.owner_only import owner_only
from raysplay.infer.pipeline import FilmPipeline, ReadsFeet, ReadsFilms
from raysplay.infer.records import FilmRecord, FootRecord, Outcome

TABLE, WRONG = "damage.csv", "wrong"
"""What the run writes: one row a damaged copy; a folder with the copies that were accepted with another angle."""

OFF = 1.0
"""Degrees by which an accepted angle may differ from that of the sound film."""


@dataclass(frozen=True)
class Damage:
    """One changed byte: where it stands, what it was and what it became."""

    offset: int
    before: int
    after: int

    def done_to(self, content: bytes) -> bytes:
        """The content with this byte changed."""
        return content[: self.offset] + bytes([self.after]) + content[self.offset + 1 :]


def damages(content: bytes, number: int, seed: Sequence[int]) -> Iterator[Damage]:
    """As many damages of ``content`` as asked for, spread evenly over it: by turns another byte and one turned bit."""
    for i in range(number):
        rng = np.random.default_rng([*seed, i])
        offset = int(rng.integers(len(content)))
        before = content[offset]
        after = before ^ 1 << int(rng.integers(8)) if i % 2 else (before + int(rng.integers(1, 256))) % 256
        yield Damage(offset, before, after)


def inside_dicom(content: bytes) -> bytes:
    """A JPEG picture as a DICOM secondary capture of that compression, its bytes unchanged (PS3.5, A.4.1)."""
    with Image.open(io.BytesIO(content)) as picture:
        columns, rows, samples = *picture.size, len(picture.getbands())
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = JPEGBaseline8Bit
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = SecondaryCaptureImageStorage
    # From the content, so that the same picture gives the same file.
    uid = generate_uid(entropy_srcs=[hashlib.sha256(content).hexdigest()])
    ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = uid
    ds.Modality, ds.ConversionType = "OT", "DF"
    ds.Rows, ds.Columns, ds.SamplesPerPixel = rows, columns, samples
    ds.PhotometricInterpretation = "MONOCHROME2" if samples == 1 else "YBR_FULL_422"
    if samples > 1:
        ds.PlanarConfiguration = 0
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 8, 8, 7, 0
    ds.WindowCenter, ds.WindowWidth = (128, 256) if samples == 1 else (None, None)
    ds.LossyImageCompression = "01"
    ds.PixelData = encapsulate([content])
    stream = io.BytesIO()
    ds.save_as(stream, enforce_file_format=True)
    return stream.getvalue()


@dataclass(frozen=True)
class Row:
    """What became of one damaged copy; ``off`` by measure in degrees where feet were accepted, else empty."""

    film: str
    damage: Damage
    outcome: str
    reasons: str
    off: Mapping[str, float]

    @property
    def wrong(self) -> bool:
        """Whether a foot was accepted with an angle that the sound film does not have."""
        return any(not value <= OFF for value in self.off.values())


class _Given:
    """Hands out films that were decoded before."""

    def __init__(self, film: Film) -> None:
        self._film = film

    def read(self, path: Path) -> Film:
        return self._film


def read_damaged(
    name: str,
    content: bytes,
    number: int,
    seed: int,
    films: ReadsFilms,
    feet: ReadsFeet,
    folder: Path,
    measures: Sequence[str],
) -> tuple[FilmRecord, list[Row]]:
    """The record of the sound film in ``content`` and what became of every damaged copy of it.

    Copies that decode to the sound film's picture and statements are not read again; their outcome is ``same``.
    """
    path = folder / "film"
    path.write_bytes(content)
    sound = films.read(path)
    record = _read(sound, feet)
    rows: list[Row] = []
    known: dict[str, FilmRecord] = {}
    for damage in damages(content, number, [seed, zlib.crc32(name.encode())]):
        path.write_bytes(damage.done_to(content))
        try:
            film = films.read(path)
        except FilmRejected as refused:
            rows.append(Row(name, damage, "unreadable", str(refused), {}))
            continue
        if _picture(film) == _picture(sound):
            rows.append(Row(name, damage, "same", "", {}))
            continue
        key = _picture(film)
        if key not in known:
            known[key] = _read(film, feet)
        rows.append(_row(name, damage, known[key], record, measures))
    return record, rows


def _picture(film: Film) -> str:
    """Digest of all that a reading depends on."""
    said = (film.spacing, film.laterality, film.view, film.loading, film.damage, film.remarks, film.polarity_doubtful)
    digest = hashlib.sha256(repr((film.pixels.shape, said)).encode())
    digest.update(np.ascontiguousarray(film.pixels).data)
    return digest.hexdigest()


def _read(film: Film, feet: ReadsFeet) -> FilmRecord:
    candidate = Candidate(film.path, "film")
    pipeline = FilmPipeline(_Given(film), feet, decision_settings(), landmark_schema(), protocol())
    (reading,) = pipeline.read([candidate])
    return reading.record


def _row(name: str, damage: Damage, read: FilmRecord, sound: FilmRecord, measures: Sequence[str]) -> Row:
    decisions = [foot.decision for foot in read.feet] or ([read.decision] if read.decision else [])
    reasons = dict.fromkeys(reason.text for decision in decisions for reason in decision.reasons)
    accepted = [foot for foot in read.feet if foot.decision.outcome is Outcome.ACCEPTED]
    worst = next(
        one.value
        for one in (Outcome.ACCEPTED, Outcome.REVIEW, Outcome.REFUSED)
        if any(decision.outcome is one for decision in decisions)
    )
    off: dict[str, float] = {}
    for foot in accepted:
        for measure, value in _off(foot, sound.feet, measures).items():
            off[measure] = max(value, off.get(measure, 0.0))
    return Row(name, damage, worst, "; ".join(reasons), off)


def _off(foot: FootRecord, sound: Sequence[FootRecord], measures: Sequence[str]) -> dict[str, float]:
    """How far the foot's angles lie from those of the foot at its place on the sound film; infinite without one."""
    here = _middle(foot)
    near = min(sound, key=lambda other: float(np.linalg.norm(_middle(other) - here)), default=None)
    if near is None or not near.measurements:
        return dict.fromkeys(measures, float("inf"))
    values, others = ({one.measure: one.value for one in each.measurements} for each in (foot, near))
    return {name: abs(values[name] - others[name]) for name in measures if np.isfinite(values.get(name, np.nan))}


def _middle(foot: FootRecord) -> np.ndarray:
    return np.asarray(foot.landmarks.foot.film_from_crop)[:2, 2]


@owner_only()
def report(folder: Path, out: Path, number: int = 96, seed: int = 1, dicom: bool = False) -> None:
    """Damage every film byte by byte and count what is accepted with another angle than the sound film's.

    Parameters
    ----------
    folder : Path
        Of films.
    out : Path
        Made where it is missing; takes the table, and the copies that were accepted though wrong.
    number : int
        Damaged copies of every film.
    seed : int
        Fixes every damage.
    dicom : bool
        Lay JPEG films into DICOM first.
    """
    measures = sorted(decision_settings().interval.decides)
    (out / WRONG).mkdir(parents=True, exist_ok=True)
    feet = FootReader.shipped()
    total: Counter[str] = Counter()
    wrong, furthest = 0, dict.fromkeys(measures, 0.0)
    with (
        FilmReader() as films,
        tempfile.TemporaryDirectory() as scratch,
        open(out / TABLE, "w", encoding="utf-8", newline="") as stream,
    ):
        table = csv.writer(stream)
        table.writerow(["film", "offset", "before", "after", "outcome", *(f"{one}_off" for one in measures), "reasons"])
        for candidate in collect([folder]).candidates:
            content = candidate.path.read_bytes()
            content = inside_dicom(content) if dicom else content
            sound, rows = read_damaged(candidate.name, content, number, seed, films, feet, Path(scratch), measures)
            for row in rows:
                damage = row.damage
                off = [f"{row.off[one]:.2f}" if one in row.off else "" for one in measures]
                table.writerow([row.film, damage.offset, damage.before, damage.after, row.outcome, *off, row.reasons])
                total[row.outcome] += 1
                furthest = {one: max(far, row.off.get(one, 0.0)) for one, far in furthest.items()}
                if row.wrong:
                    wrong += 1
                    name = f"{Path(row.film).stem}-at-{damage.offset}-{damage.after}{candidate.path.suffix}"
                    (out / WRONG / name).write_bytes(damage.done_to(content))
            stream.flush()
            outcomes = Counter(row.outcome for row in rows)
            decided = ", ".join(foot.decision.outcome.value for foot in sound.feet) or "no foot"
            typer.echo(f"{candidate.name} ({decided}): {_counts(outcomes)}")
    typer.echo(f"all: {_counts(total)}")
    typer.echo(f"accepted and off by more than {OFF:g} degree: {wrong}; furthest {_degrees(furthest)}")


def _counts(outcomes: Mapping[str, int]) -> str:
    return ", ".join(f"{name} {count}" for name, count in sorted(outcomes.items()))


def _degrees(values: Mapping[str, float]) -> str:
    return ", ".join(f"{name.upper()} {value:.1f}" for name, value in values.items())
