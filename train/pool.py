"""Projected feet on the training device.

Projecting a foot costs more than a training step on it. Feet are therefore projected once, kept as path lengths, and
cut, exposed and shown anew each time they are used; the pool is renewed piece by piece while training goes on.
"""

from __future__ import annotations

import multiprocessing as mp
import os
import signal
import threading
from collections.abc import Generator
from concurrent.futures import Future, ProcessPoolExecutor

import numpy as np
import torch
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.synthetic_data.anatomy.other_parts import OTHER_PARTS, draw_other_part
from raysplay.synthetic_data.film.formation import join_soft
from raysplay.synthetic_data.projection.shadow import SOFT_STEP, Subject, project_subjects
from raysplay.synthetic_data.settings import GeneratorSettings
from raysplay.synthetic_data.subject import draw_subject
from raysplay.train.settings import PoolSettings

CHANNELS = 3
"""Path lengths through cortical bone, spongy bone and soft tissue."""


def draw_group(
    seed: int,
    number: int,
    count: int,
    shares: dict[str, float],
    condition_shares: dict[str, float] | None = None,
    generator: GeneratorSettings | None = None,
) -> tuple[list[Subject], list[int]]:
    """Subjects of one group and their views (numbers in ``VIEWS``); reproducible from seed and number.

    ``condition_shares`` of the feet, but of nothing else, have a condition; no foot is asked for two.
    """
    rng = np.random.default_rng([seed, number])
    names = list(shares)
    share = np.array([shares[n] for n in names])
    with_condition = condition_shares or {}
    limits = np.cumsum(list(with_condition.values()))
    subjects, views = [], []
    for k in range(count):
        view = names[rng.choice(len(names), p=share / share.sum())]
        if view == "other":
            subjects.append(draw_other_part([seed, number, k], str(rng.choice(OTHER_PARTS))))
        else:
            drawn = int(np.searchsorted(limits, rng.random(), side="right")) if with_condition else 0
            condition = list(with_condition)[drawn] if drawn < len(with_condition) else None
            subjects.append(draw_subject([seed, number, k], view, generator, condition)[0])
        views.append(VIEWS.index(view))
    return subjects, views


def end_with_parent() -> None:
    """Make this process end when the one that started it is gone, and leave Ctrl-C to that one."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = mp.parent_process()

    def watch() -> None:
        assert parent is not None
        parent.join()
        os._exit(1)

    if parent is not None:
        threading.Thread(target=watch, daemon=True).start()


class Pool:
    """Projected feet, renewed as training goes on.

    Attributes
    ----------
    lengths : Tensor of float16, shape (size, 3, rows, columns)
        Path lengths in mm.
    points : Tensor, shape (size, L, 2)
        Landmarks in pixels of the pool's raster.
    placed : Tensor of bool, shape (size, L)
        Whether the landmark exists on the subject; a missing toe has none.
    conditions : Tensor, shape (size, K)
        1 where the anatomy has the condition of that place in ``CONDITIONS``, 0 elsewhere.
    views : Tensor of int, shape (size,)
    projected_count : int
        Feet projected so far.
    """

    def __init__(
        self, settings: PoolSettings, seed: int, device: torch.device, generator: GeneratorSettings | None = None
    ) -> None:
        self.settings, self.seed, self.device, self.generator = settings, seed, device, generator
        shape = (settings.size, CHANNELS, settings.rows, settings.columns)
        half = torch.float16 if device.type == "cuda" else torch.float32
        self.lengths = torch.zeros(shape, dtype=half, device=device)
        self.points = torch.zeros(settings.size, len(landmark_schema()), 2, device=device)
        self.placed = torch.zeros(settings.size, len(landmark_schema()), dtype=torch.bool, device=device)
        self.conditions = torch.zeros(settings.size, len(CONDITIONS), device=device)
        self.views = torch.zeros(settings.size, dtype=torch.long, device=device)
        self.projected_count = 0
        self.filled = 0
        self._owed = 0.0
        self._groups = self._draw()
        pitch = settings.pitch_mm
        self._matrix = torch.tensor(
            [[1 / pitch, 0, -settings.left_mm / pitch], [0, -1 / pitch, settings.top_mm / pitch], [0, 0, 1]]
        )

    def _draw(self) -> Generator[tuple[list[Subject], list[int]], None, None]:
        s = self.settings
        drawn_as = (s.projection_batch, s.view_shares, s.condition_shares, self.generator)
        number = 0
        if s.workers == 0:
            while True:
                yield draw_group(self.seed, number, *drawn_as)
                number += 1
        workers = ProcessPoolExecutor(s.workers, mp_context=mp.get_context("spawn"), initializer=end_with_parent)
        try:
            ahead: list[Future[tuple[list[Subject], list[int]]]] = []
            while True:
                while len(ahead) < 2 * s.workers:
                    ahead.append(workers.submit(draw_group, self.seed, number, *drawn_as))
                    number += 1
                yield ahead.pop(0).result()
        finally:
            workers.shutdown(wait=True, cancel_futures=True)

    def close(self) -> None:
        """End the processes that draw; nothing can be projected afterwards."""
        self._groups.close()

    @torch.no_grad()
    def project_group(self) -> None:
        """Project one group over the oldest feet of the pool."""
        subjects, views = next(self._groups)
        s = self.settings
        size = (s.rows, s.columns)
        shadow = project_subjects(subjects, self._matrix.expand(len(subjects), 3, 3), size, self.device)
        soft = join_soft(shadow.soft, size, SOFT_STEP)
        lengths = torch.stack([(shadow.outer - shadow.inner).clamp_min(0), shadow.inner.clamp_min(0), soft], dim=1)
        where = torch.arange(self.projected_count, self.projected_count + len(subjects), device=self.device) % s.size
        self.lengths[where] = lengths.to(self.lengths.dtype)
        self.points[where] = shadow.points
        self.placed[where] = shadow.placed
        conditions = [[float(c in subject.conditions) for c in CONDITIONS] for subject in subjects]
        self.conditions[where] = torch.tensor(conditions, device=self.device)
        self.views[where] = torch.tensor(views, device=self.device)
        self.projected_count += len(subjects)
        self.filled = min(s.size, self.projected_count)

    def fill(self, count: int) -> None:
        """Project until ``count`` feet are held."""
        while self.filled < min(count, self.settings.size):
            self.project_group()

    def refresh(self) -> None:
        """Project what one training step owes."""
        self._owed += self.settings.refresh
        while self._owed >= self.settings.projection_batch:
            self.project_group()
            self._owed -= self.settings.projection_batch

    def draw(self, count: int, generator: torch.Generator, view: int | None = None) -> Tensor:
        """Numbers of ``count`` random feet held, of one view if asked.

        Parameters
        ----------
        count : int
        generator : torch.Generator
            On the device of the pool.
        view : int, optional
            Number in ``VIEWS``; of any view where none of it is held.

        Returns
        -------
        Tensor of int, shape (count,)
        """
        if view is None:
            return torch.randint(self.filled, (count,), generator=generator, device=self.device)
        fitting = torch.nonzero(self.views[: self.filled] == view).squeeze(1)
        if len(fitting) == 0:
            return torch.randint(self.filled, (count,), generator=generator, device=self.device)
        return fitting[torch.randint(len(fitting), (count,), generator=generator, device=self.device)]
