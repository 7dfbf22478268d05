"""Feet read by networks in batches are those that the processor reads one by one, whoever shares the batch."""

import gc
import threading
import weakref
from dataclasses import replace

import numpy as np
import pytest
import torch

from raysplay.infer.accelerator.accelerator_error import AcceleratorError
from raysplay.infer.accelerator.device import device_of
from raysplay.infer.accelerator.in_this_process import InThisProcess
from raysplay.infer.accelerator.networks import AcceleratedNetworks
from raysplay.infer.accelerator.settings import accelerator_settings
from raysplay.infer.films.polarity import negative
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.network.graphs import LANDMARKS, LOCATOR
from raysplay.infer.pipeline import FilmPipeline
from raysplay.infer.shipped_weights import weights_meant

from .conftest import QUICK

PIXELS = 0.05
"""By how much a landmark may lie elsewhere, in pixels of the crop: the bound of the two runtimes of the processor."""


def seen(reader, film):
    return [(foot, reader.landmarks(film, foot)) for foot in reader.find(film)]


def alike(ours, theirs):
    assert len(ours) == len(theirs)
    for (foot, read), (known, expected) in zip(ours, theirs, strict=True):
        assert (foot.side, foot.reaches_beyond) == (known.side, known.reaches_beyond)
        assert foot.score == pytest.approx(known.score, abs=1e-3)
        scale = np.sqrt(abs(np.linalg.det(expected.foot.film_from_crop[:2, :2])))
        sure = expected.confidence > 0.5
        assert np.abs(read.points - expected.points)[sure].max(initial=0.0) / scale < PIXELS
        np.testing.assert_allclose(read.confidence, expected.confidence, atol=2e-3)
        np.testing.assert_allclose(read.strangeness, expected.strangeness, rtol=2e-3)
        assert read.foot.view == pytest.approx(expected.foot.view, abs=2e-3)
        assert read.conditions == pytest.approx(expected.conditions, abs=2e-3)


def test_feet_are_those_of_the_processor(held, generated):
    ours, theirs = FootReader(*QUICK, accelerator=InThisProcess(held, 1)), FootReader(*QUICK, threads=1)
    feet = [len(theirs.find(film)) for film in generated]
    assert sorted(feet) == [1, 1, 2]
    for film in generated:
        alike(seen(ours, film), seen(theirs, film))


def test_the_careful_reader_sees_the_same_too(generated):
    """Its second pass always follows; its networks are others."""
    careful = FootReader.weights_by_landmarks(weights_meant("careful"))
    limits = accelerator_settings().model_copy(update={"batch": 1})
    networks = AcceleratedNetworks(torch.device("cpu"), *careful, limits=limits)
    try:
        ours = FootReader(*careful, accelerator=InThisProcess(networks, 1))
        alike(seen(ours, generated[0]), seen(FootReader(*careful, threads=1), generated[0]))
        assert networks.spent()["pictures_landmarks"] == 2
    finally:
        networks.close()


def test_a_film_is_looked_at_again_with_a_margin_and_as_its_negative(held, generated):
    """What the processor's path does with a foot that is cut off, and with a film that may be inverted."""
    ours, theirs = FootReader(*QUICK, accelerator=InThisProcess(held, 1)), FootReader(*QUICK, threads=1)
    film = generated[0]
    rows = film.pixels.shape[0]
    (foot,) = theirs.find(film)
    middle = theirs.landmarks(film, foot).points.mean(0)
    beyond = []
    for share in (0.0, 0.15, 0.3):
        row = int(middle[1] + share * rows / 2)
        cut = replace(film, pixels=np.ascontiguousarray(film.pixels[row:]))
        expected = theirs.find(cut)
        beyond += [one.reaches_beyond for one in expected]
        alike(seen(ours, cut), seen(theirs, cut))
    assert any(beyond)
    turned = negative(film)
    alike(seen(ours, turned), seen(theirs, turned))
    alike(seen(ours, film), seen(theirs, film))  # the negative no longer lies there


def test_company_and_place_in_a_batch_change_no_bit(held, generated):
    """Table bytes must not tell which films were read beside one."""
    films = [held.device_film(film.pixels) for film in generated]
    reader = FootReader(*QUICK, threads=1)
    matrices = [reader.find(film)[0].film_from_crop for film in generated]
    for reads in (LANDMARKS, LOCATOR):
        alone = held.ask(reads, films[0], matrices[0]).result()
        before = held.spent()
        for turn in range(6):
            order = [(turn + k) % 3 for k in range(9)]
            asked = [(k, held.ask(reads, films[k], matrices[k])) for k in order]
            for k, one in asked:
                if k == 0:
                    assert {name: said.tobytes() for name, said in one.result().items()} == {
                        name: said.tobytes() for name, said in alone.items()
                    }
        after = held.spent()
        batches, pictures = (after[f"{what}_{reads}"] - before[f"{what}_{reads}"] for what in ("batches", "pictures"))
        assert pictures > 1.5 * batches  # they did share


def test_threads_that_read_at_once_are_told_of_their_own_films(held, generated):
    reader = FootReader(*QUICK, accelerator=InThisProcess(held, 4))
    expected = [seen(reader, film) for film in generated]
    gathered = {}

    def read(number):
        gathered[number] = seen(reader, generated[number % 3])

    threads = [threading.Thread(target=read, args=(number,)) for number in range(9)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for number, ours in gathered.items():
        for (_, read_now), (_, known) in zip(ours, expected[number % 3], strict=True):
            np.testing.assert_array_equal(read_now.points, known.points)
    assert len(gathered) == 9


def test_no_film_stays_once_it_is_answered(held, generated):
    film = held.device_film(generated[0].pixels)
    there = weakref.ref(film)
    held.ask(LOCATOR, film, np.diag([4.0, 4.0, 1.0])).result()
    # The next batch takes the place of the last in whatever still names it.
    held.ask(LOCATOR, held.device_film(generated[1].pixels), np.diag([4.0, 4.0, 1.0])).result()
    del film
    gc.collect()
    assert there() is None


@pytest.fixture
def breaking(monkeypatch):
    """Networks of which the locator fails as a device does that is lost."""
    networks = AcceleratedNetworks(
        torch.device("cpu"), *QUICK, limits=accelerator_settings().model_copy(update={"batch": 1})
    )

    def fail(_):
        raise RuntimeError("CUDA error: an illegal memory access was encountered")

    networks._networks[LOCATOR] = fail
    yield networks
    networks.close()


def test_a_lost_device_ends_the_run_and_no_film_is_refused_for_it(breaking, generated):
    """Else every film after it would get a row that says it could not be read."""

    class Films:
        def read(self, path):
            return generated[0]

    from raysplay.configs.load import landmark_schema
    from raysplay.configs.protocol import protocol
    from raysplay.infer.decide.settings import decision_settings
    from raysplay.infer.films.collect import Candidate

    for threads in (1, 3):
        reader = FootReader(*QUICK, accelerator=InThisProcess(breaking, threads))
        pipeline = FilmPipeline(Films(), reader, decision_settings(), landmark_schema(), protocol())
        with pytest.raises(AcceleratorError, match="illegal memory access"):
            list(pipeline.read([Candidate(generated[0].path, f"{k}.dcm") for k in range(5)]))


def test_who_waits_when_it_is_lost_or_closed_is_told(breaking, generated):
    film = breaking.device_film(generated[0].pixels)
    asked = []
    for _ in range(4):
        try:
            asked.append(breaking.ask(LOCATOR, film, np.eye(3)))
        except AcceleratorError:
            break
    assert asked
    for one in asked:
        with pytest.raises(AcceleratorError):
            one.result(timeout=60)
    breaking.close()
    with pytest.raises(AcceleratorError):
        breaking.ask(LANDMARKS, film, np.eye(3))


def test_a_batch_that_does_not_come_back_is_noticed(held, generated, monkeypatch):
    assert not held.overdue()
    going, let_go = threading.Event(), threading.Event()
    computed = held._networks[LOCATOR]

    def slow(pictures):
        going.set()
        assert let_go.wait(60)
        return computed(pictures)

    monkeypatch.setitem(held._networks, LOCATOR, slow)
    answer = held.ask(LOCATOR, held.device_film(generated[0].pixels), np.eye(3))
    assert going.wait(60)
    assert not held.overdue()
    monkeypatch.setattr(held, "_limits", held._limits.model_copy(update={"batch_seconds": 1e-9}))
    late = held.overdue()
    let_go.set()
    answer.result()
    assert late
    assert not held.overdue()


@pytest.mark.parametrize("name", ["cuda", "cuda:7", "lamp", "auto"])
def test_a_device_that_is_not_there_is_named_in_one_line(name, monkeypatch):
    monkeypatch.setattr(torch.cuda, "is_available", lambda: False)
    if torch.backends.cuda.is_built():
        pytest.skip("this torch was built for graphics cards")
    with pytest.raises(AcceleratorError) as caught:
        device_of(name)
    said = str(caught.value)
    assert "\n" not in said
    assert len(said) < 200
    assert name == "auto" or said.startswith(f"{name}: ")
