"""An archive of films of a digitised skeleton, with the truth of every foot."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from raysplay.configs import landmark_schema
from raysplay.measure import by_name, measure_values, to_foot_frame
from raysplay.synthetic_data.anatomy.person import draw_person
from raysplay.synthetic_data.anatomy.posture import Posture, draw_posture
from raysplay.synthetic_data.anatomy.rest import bone_names
from raysplay.synthetic_data.archive import FILMS, TruthRows, truth_rows, write_tables
from raysplay.synthetic_data.dicom_file import draw_writing, film_dataset
from raysplay.synthetic_data.film.compose import DrawSubject, FilmRequest, GeneratedFoot, compose_film
from raysplay.synthetic_data.film.settings import ArchiveSettings, archive_settings
from raysplay.synthetic_data.projection.beam import draw_beam
from raysplay.synthetic_data.projection.shadow import Subject
from raysplay.synthetic_data.settings import generator_settings
from raysplay.synthetic_data.skeleton.flesh import Flesh
from raysplay.synthetic_data.skeleton.meshes import SkeletonError, read_bones
from raysplay.synthetic_data.skeleton.settings import SkeletonSettings
from raysplay.synthetic_data.skeleton.stand import stand
from raysplay.synthetic_data.skeleton.surface import BoneSurface, sample

_WRITING, _FLESH = 32452843, 49979687
"""Keep the random numbers of the files, and of soft parts that a trial asks for, apart from those of the films."""


def read_skeleton(folder: Path, settings: SkeletonSettings) -> dict[str, BoneSurface]:
    """Every bone of the list in ``settings`` from a folder of meshes.

    Raises
    ------
    SkeletonError
        If the meshes are not those of the list or cannot be used.
    """
    axes = {"own": None, "foot": (0.0, 1.0, 0.0)}
    surfaces = {}
    for name, mesh in read_bones(folder, settings).items():
        bone = settings.bones[name]
        try:
            surfaces[name] = sample(mesh, bone.core, axes[bone.axis])
        except ValueError as error:
            raise SkeletonError(f"{folder / bone.file}: {name}: {error}") from error
    return surfaces


EVERY_HVA, AS_DRAWN = (-180.0, 180.0), Flesh()
_DRAWS = 3000


def skeleton_subject(
    skeleton: Mapping[str, BoneSurface],
    chosen: SkeletonSettings,
    hva: tuple[float, float] = EVERY_HVA,
    flesh: Flesh = AS_DRAWN,
) -> DrawSubject:
    """Draws feet of the skeleton from a seed, for :func:`compose_film`; only stances with HVA within limits, degrees.

    HVA on the film differs from that of the stance by what the projection makes of it.

    Raises
    ------
    SkeletonError
        When it draws, if no stance comes within the limits.
    """

    def draw(seed: tuple[int, ...], view: str) -> tuple[Subject, Posture]:
        settings = generator_settings()
        rng = np.random.default_rng(seed)
        for _ in range(_DRAWS):
            posture = replace(draw_posture(rng, settings.posture, view), leg=False)
            if hva[0] <= posture.hva < hva[1]:
                break
        else:
            raise SkeletonError(f"no stance has an HVA from {hva[0]:g} to {hva[1]:g} degrees")
        person, foot, surfaces = stand(rng, skeleton, chosen, draw_person(rng, settings.person), posture)
        own = np.random.default_rng([*seed, _FLESH])
        soft = flesh.lay(rng, own, person, foot, surfaces[0])
        beam = draw_beam(rng, settings.exposure)
        density = np.exp(rng.normal(0, 0.12, len(bone_names()))) * np.exp(rng.normal(0, 0.15))
        subject = Subject(
            person,
            foot,
            soft.skin,
            beam,
            density,
            surfaces=surfaces,
            sampled=True,
            skin_edge=soft.skin_edge,
            layer=soft.layer,
        )
        return subject, posture

    return draw


def with_known_truth(foot: GeneratedFoot, measures: Sequence[str]) -> GeneratedFoot:
    """The foot with these measures and their landmarks alone."""
    schema = landmark_schema()
    known = {code for name in measures for code in by_name(name).landmarks}
    visible = foot.visible & np.isin(schema.codes, sorted(known))
    framed, _ = to_foot_frame(foot.landmarks[None], None, [foot.side])
    values = measure_values(framed, schema, visible=visible[None])
    return replace(foot, visible=visible, measures={name: float(value[0]) for name, value in values.items()})


def write_skeleton_archive(
    skeleton: Mapping[str, BoneSurface],
    chosen: SkeletonSettings,
    n: int,
    seed: int,
    out: Path,
    progress: Callable[[int, int], None] | None = None,
    hva: tuple[float, float] = EVERY_HVA,
    flesh: Flesh = AS_DRAWN,
    settings: ArchiveSettings | None = None,
) -> Path:
    """Write ``n`` films of the skeleton, one dorsoplantar foot each, into ``out/films`` and their truth beside it.

    Parameters
    ----------
    skeleton : mapping of str to BoneSurface
        See :func:`read_skeleton`.
    chosen : SkeletonSettings
        Those that it was read with; the truth has the measures that they name as known.
    n, seed : int
    out : Path
        Made where it is missing.
    progress : callable, optional
        Called with the films done and ``n``.
    hva : tuple of float
        Limits of HVA, degrees; see :func:`skeleton_subject`, also for what is raised.
    flesh : Flesh, optional
        Their soft parts; as the generator draws them by default.
    settings : ArchiveSettings, optional
        What films show, as of :func:`~raysplay.synthetic_data.film.settings.condition_settings`; the shipped ones by
        default.

    Returns
    -------
    Path
        ``truth.csv``, in the form of ``raysplay synthesize``.
    """
    draw = skeleton_subject(skeleton, chosen, hva, flesh)
    films = out / FILMS
    films.mkdir(parents=True, exist_ok=True)
    settings = settings or archive_settings()

    def rows() -> Iterator[TruthRows]:
        for k in range(n):
            request = FilmRequest(layout="single", views=("dp",), whole=True)
            film = compose_film((seed, k), settings, request, draw)
            film = replace(film, feet=tuple(with_known_truth(foot, chosen.known) for foot in film.feet))
            name = f"skeleton_{k + 1:05d}.dcm"
            writing = draw_writing(np.random.default_rng([seed, k, _WRITING]), settings.dicom, film)
            film_dataset(film, writing, seed, k).save_as(films / name, enforce_file_format=True)
            if progress is not None:
                progress(k + 1, n)
            yield truth_rows(film, name, seed)

    return write_tables(rows(), out)
