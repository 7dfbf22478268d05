"""How many side letters are found, mistaken and made up on open and generated films; printed, not tested.

    RAYSPLAY_OPEN_FILMS=films .venv/bin/python tests/infer/films/side_letter_benchmark.py DRAWN GENERATED

The 332 films are FracAtlas (CC BY 4.0, doi 10.1038/s41597-023-02432-4); which of them bear a letter was judged by eye
on contact sheets by one developer. DRAWN letters in fonts that training did not see are put on these films; GENERATED
is the number of generated films, on which letters are drawn as ``configs/archive.yaml`` says, none face down.
"""

import os
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np
from PIL import Image
from test_side_letters import drawn_on

from raysplay.infer.films.side_letters import side_letters

ON_FILMS = {
    **dict.fromkeys((47, 84, 108, 113, 140, 151, 173, 177, 208, 210, 216, 2307), "R"),
    **dict.fromkeys((82, 95, 201), "L"),
}
"""By number of the film; all are printed by the workstation, upright, none mirrored."""


def said(found):
    return sorted(("mirrored " if one.mirrored else "") + one.letter for one in found)


def told(counts, what, whole):
    print(f"{what}, {whole}: " + "; ".join(f"{key} {n} ({n / max(whole, 1):.1%})" for key, n in sorted(counts.items())))


def outcome(found, letter, mirrored, x, y, reach):
    """What became of a letter of known place, and letters found elsewhere."""
    here = [one for one in found if np.hypot(one.x - x, one.y - y) < reach]
    elsewhere = len(found) - len(here)
    if not here:
        return "missed", elsewhere
    best = here[0]
    if best.letter != letter:
        return "another letter", elsewhere
    return ("right" if best.mirrored == mirrored else "wrong way round"), elsewhere


def on_open_films(films):
    for flipped in (False, True):
        with_letter, without, seconds = Counter(), Counter(), []
        for path, pixels in films:
            letter = ON_FILMS.get(int(path.stem.split("_")[1]))
            seen = np.ascontiguousarray(pixels[:, ::-1]) if flipped else pixels
            began = time.process_time()
            found = said(side_letters(seen))
            seconds.append(time.process_time() - began)
            wanted = [("mirrored " if flipped else "") + letter] if letter else []
            counts = with_letter if letter else without
            counts["right" if found == wanted else "none found" if not found else f"wrong: {', '.join(found)}"] += 1
            if found and found != wanted:
                print("   ", path.name, found)
        name = "flipped films" if flipped else "films"
        told(with_letter, f"open {name} with a letter", sum(with_letter.values()))
        told(without, f"open {name} without", sum(without.values()))
        print(f"seconds of the processor a film: {np.mean(seconds):.4f}, at most {max(seconds):.4f}")


def on_films_with_drawn_letters(films, count):
    rng = np.random.default_rng(11)
    counts = {}
    elsewhere = 0
    bare = [pixels for path, pixels in films if int(path.stem.split("_")[1]) not in ON_FILMS]
    for _ in range(count):
        pixels = bare[rng.integers(len(bare))]
        letter, mirrored = "LR"[rng.integers(2)], bool(rng.integers(2))
        turn = ["upright", "quarter turns", "any"][rng.integers(3)]
        angle = {"upright": rng.normal(0, 6), "quarter turns": 90 * rng.integers(4) + rng.normal(0, 6)}.get(turn)
        angle = rng.uniform(0, 360) if angle is None else angle
        font = ("aileron", "cmtt10", "hershey")[rng.integers(3)]
        share = float(np.exp(rng.uniform(np.log(0.025), np.log(0.06))))
        film, x, y, height = drawn_on(rng, pixels, letter, mirrored, float(angle), share, font)
        became, others = outcome(side_letters(film), letter, mirrored, x, y, height)
        elsewhere += others
        for key in (
            "all",
            turn,
            font,
            f"{'mirrored ' if mirrored else ''}{letter}",
            "under 4 %" if share < 0.04 else "over 4 %",
        ):
            counts.setdefault(key, Counter())[became] += 1
    for key, one in counts.items():
        told(one, f"drawn letters, {key}", sum(one.values()))
    print(f"letters found elsewhere on these films: {elsewhere}")


def on_generated_films(count):
    from raysplay.synthetic_data.film.compose import compose_film
    from raysplay.synthetic_data.film.settings import archive_settings

    plain = archive_settings()
    settings = plain.model_copy(update={"marks": plain.marks.model_copy(update={"letter_reversed": 0.0})})
    counts, flipped_counts, elsewhere, films_wrong = {}, Counter(), 0, 0
    for number in range(count):
        film = compose_film((7101, number), settings)
        columns = film.pixels.shape[1]
        found = side_letters(film.pixels)
        turned = side_letters(np.ascontiguousarray(film.pixels[:, ::-1]))
        marks = [one for one in film.marks if one.kind == "letter"]
        left = len(found)
        for one in marks:
            reach = 0.8 * one.height / film.pixel_mm
            single = one.text in ("L", "R")
            became, others = outcome(found, one.text[0], False, one.x, one.y, reach)
            left -= len(found) - others
            key = "words" if not single else "lead" if one.lead else "printed"
            counts.setdefault(key, Counter())[became] += 1
            if single:
                flipped_counts[outcome(turned, one.text[0], True, columns - 1 - one.x, one.y, reach)[0]] += 1
        elsewhere += left
        films_wrong += any(one.mirrored for one in found)
    for key, one in counts.items():
        told(one, f"letters on generated films, {key}", sum(one.values()))
    told(flipped_counts, "letters on generated films, flipped", sum(flipped_counts.values()))
    print(f"of {count} generated films: letters found where none is {elsewhere}; films called mirrored {films_wrong}")


def main(drawn, generated):
    films = []
    for path in sorted(Path(os.environ["RAYSPLAY_OPEN_FILMS"]).glob("*.jpg")):
        with Image.open(path) as opened:
            films.append((path, np.asarray(opened.convert("L"), np.float32) / np.float32(255)))
    on_open_films(films)
    on_films_with_drawn_letters(films, drawn)
    del films
    on_generated_films(generated)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
