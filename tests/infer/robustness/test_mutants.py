"""A small share of the broken files that ``raysplay.infer.robustness.mutants`` makes, read as a run reads them."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter

import numpy as np
import pytest

from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.read import read_film
from raysplay.infer.films.settings import film_settings
from raysplay.infer.robustness.mutants import COLUMNS, ROWS, mutant, originals, read_mutants

NUMBER = 400


@pytest.fixture(scope="module")
def made() -> dict[str, bytes]:
    return originals()


def test_the_originals_are_sound(made, tmp_path) -> None:
    """Every format shows the same picture, but for lossy ones and those with a window."""
    path = tmp_path / "film"
    path.write_bytes(made["png"])
    plain = read_film(path, film_settings()).pixels
    for name, content in made.items():
        path.write_bytes(content)
        film = read_film(path, film_settings())
        assert film.pixels.shape == (ROWS, COLUMNS), name
        assert film.damage is None, name
        assert np.corrcoef(film.pixels.ravel(), plain.ravel())[0, 1] > 0.99, name


def test_a_seed_and_a_number_make_one_mutant(made) -> None:
    some = [mutant(made, 5, number) for number in range(60)]
    assert some == [mutant(made, 5, number) for number in range(60)]
    assert len({content for _, content in some}) > 50
    assert len({name for name, _ in some}) > 10
    assert sum(content != made[name] for name, content in some) > 55


# The peak that getrusage tells starts, on Linux, at that of the process that started this one.
NESTED = """
from pathlib import Path
from raysplay.infer.robustness.mutants import everything, mutant
name, content = mutant(everything(), 14, 3273)
peak = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
print(name, len(content), int(peak.split()[1]) // 1024)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="counts memory as Linux tells it")
def test_a_mutant_with_thousands_of_nested_sequences_is_made_in_little_memory() -> None:
    """That one took seven gigabytes: pydicom wrote it anew, each sequence within all the others."""
    done = subprocess.run([sys.executable, "-c", NESTED], capture_output=True, text=True, check=True)
    _, size, megabytes = done.stdout.split()
    assert int(size) > 30_000
    assert int(megabytes) < 700


def test_films_and_reasons_only_and_none_beyond_the_limit(made, tmp_path) -> None:
    """Time limits end a decoder after 30 s; none of these comes near, however busy the machine."""
    with FilmReader() as films:
        fates = [fate for fate, _ in read_mutants(range(NUMBER), 2, films, tmp_path, made)]
    outcomes = Counter(fate.outcome for fate in fates)
    assert len(fates) == NUMBER
    assert outcomes["film"] > NUMBER / 20
    assert outcomes["film with impossible grey values"] == 0
    for outcome in outcomes:
        assert "took longer" not in outcome
        assert "more memory" not in outcome
        assert "crashed" not in outcome
        assert "\n" not in outcome
        assert 3 < len(outcome) < 200
