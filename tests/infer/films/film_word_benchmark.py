"""How many words on loading are read, missed and mistaken on open and generated films; printed, not tested.

    RAYSPLAY_OPEN_FILMS=films .venv/bin/python tests/infer/films/film_word_benchmark.py DRAWN GENERATED

The 332 films are FracAtlas (CC BY 4.0, doi 10.1038/s41597-023-02432-4); by eye, on contact sheets of all lines found,
by one developer, 16 bear writing and none a word on loading. DRAWN lines in fonts that training did not see (Aileron,
and Arial and Courier as ReportLab has them) are put on these films: words on loading, names and other writing.
GENERATED films are those of ``raysplay synthesize --seed 7001``, on which words are drawn as ``configs/archive.yaml``
says.
"""

import os
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np
from PIL import Image
from test_film_words import HELD_OUT, as_jpeg, face_of, written

from raysplay.infer.films.burnt_in_text import text_boxes
from raysplay.infer.films.film_words import statements_on
from raysplay.infer.films.loading import Loading, settle

# Common practice, no source.
PHRASES = {
    Loading.FULL: (
        *("WEIGHT BEARING", "WEIGHTBEARING", "WT BEARING", "WB", "STANDING", "ERECT", "FOOT AP STANDING", "DP WB"),
        *("STEHEND", "BELASTET", "EN CHARGE", "DEBOUT", "SOTTO CARICO", "IN CARICO", "EN CARGA", "DE PIE EN CARGA"),
        *("Weight bearing", "Standing", "R ERECT", "17.04.31 STANDING", "WEIGHT-BEARING", "FUSS DP STEHEND"),
    ),
    Loading.NONE: (
        *("NON WEIGHT BEARING", "NWB", "NON WB", "NON WT BEARING", "NOT WEIGHT BEARING", "SUPINE", "SITTING", "NON-WB"),
        *("UNBELASTET", "LIEGEND", "IM LIEGEN", "SANS CHARGE", "EN DECHARGE", "IN SCARICO", "NO STANDING", "Supine"),
    ),
    Loading.PARTIAL: ("PARTIAL WEIGHT BEARING", "PWB", "PARTIAL WB", "TEILBELASTUNG"),
}
NOTHING = (
    *("STANDISH MILES", "ERECTUS", "SKERRYWYN ORLA", "STANDING ORLA", "WEBB W", "LOADER T", "STEHENDORFER", "PRONK"),
    *("WBC 12", "FOOT DP", "ANKLE", "BAKER WB", "MS-448812", "17.04.1931 10:15", "Merrow Skerry Light", "STAND"),
    *("BELASTINGER", "CHARGEBOEUF", "CARICOLA", "MB", "DW", "STANLING", "EREKT", "SUPINI", "SETTING", "STADING"),
    *("HEATED", "SUPREME", "KEEPER T. GULLROCK", "DEBOUTIN", "ERICT", "STAENDER", "OUTSTANDING", "WB GULLROCK"),
)


def said_on(pixels):
    boxes = text_boxes(pixels)
    began = time.process_time()
    said = settle(statements_on(pixels, boxes))
    return said, len(boxes), time.process_time() - began


def told(counts):
    for key in sorted(counts):
        whole = sum(counts[key].values())
        print(
            f"{key}, {whole}: " + "; ".join(f"{what} {n} ({n / whole:.1%})" for what, n in sorted(counts[key].items()))
        )


def on_open_films(films):
    for flipped in (False, True):
        counts, seconds = Counter(), []
        for path, pixels in films:
            said, lines, spent = said_on(np.ascontiguousarray(pixels[:, ::-1]) if flipped else pixels)
            counts["with writing" if lines else "without", said.value] += 1
            if lines:
                seconds.append(spent)
            if said is not Loading.UNKNOWN:
                print("   ", path.name, said.value)
        name, spent = "open films, flipped" if flipped else "open films", np.mean(seconds)
        print(f"{name}: {dict(counts)}; {spent:.3f} s of the processor a film with writing")


def on_films_with_drawn_lines(films, count):
    rng = np.random.default_rng(13)
    counts, seconds = {}, []
    bare = [pixels for path, pixels in films if int(path.stem.split("_")[1]) > 2400]
    for number in range(count):
        side = int(rng.choice([900, 1400, 2000, 2800]))
        picture = Image.fromarray((255 * bare[rng.integers(len(bare))]).astype(np.uint8))
        factor = side / max(picture.size)
        picture = picture.resize([round(one * factor) for one in picture.size], Image.Resampling.BICUBIC)
        picture = np.minimum(np.asarray(picture, dtype=float), 240)
        loading = [
            Loading.UNKNOWN,
            Loading.FULL,
            Loading.UNKNOWN,
            Loading.NONE,
            Loading.FULL,
            Loading.UNKNOWN,
            Loading.PARTIAL,
        ][number % 7]
        texts = PHRASES.get(loading, NOTHING)
        text = texts[rng.integers(len(texts))]
        height = min(int(rng.choice([10, 14, 20, 28, 40, 60])), int(0.035 * side))
        name = list(HELD_OUT)[rng.integers(len(HELD_OUT))]
        face = face_of(name, height)
        ink, paper = [(255, None), (215, None), (255, 0), (0, 250)][rng.integers(4)]
        place, quality = ["beside", "bone"][int(rng.random() < 0.25)], int(rng.choice([60, 75, 90, 100]))
        turned = bool(rng.random() < 0.1)
        long, low = int(face.getlength(text)) + 40, 3 * height + 20
        tall, wide = (long, low) if turned else (low, long)
        if tall > picture.shape[0] or wide > picture.shape[1]:
            continue
        spots = [
            (rng.integers(picture.shape[0] - tall + 1), rng.integers(picture.shape[1] - wide + 1)) for _ in range(40)
        ]
        means = [picture[y : y + tall, x : x + wide].mean() for y, x in spots]
        y, x = spots[int(np.argmin(means) if place == "beside" else np.argmax(means))]
        drawn = written(picture, text, (int(x) + 5, int(y) + 5), face, ink, paper, turned)
        mirrored = bool(rng.random() < 0.1)
        drawn = as_jpeg(drawn[:, ::-1] if mirrored else drawn, quality)
        said, lines, spent = said_on(drawn.astype(np.float32) / 255)
        if lines:
            seconds.append(spent)
        became = "right" if said is loading else "silent" if said is Loading.UNKNOWN else f"FALSE {said.value}"
        if became.startswith("FALSE"):
            print("   ", repr(text), name, height, place, "mirrored" if mirrored else "", became)
        group = loading.value if loading is not Loading.UNKNOWN else "names and other writing"
        keys = [group]
        if loading is not Loading.UNKNOWN:
            clear = place == "beside" and height >= 14 and not (mirrored or turned)
            keys += [name, f"{height} px", place, f"ink {ink} on {paper}", "turned" if turned else "along rows"]
            keys += [
                "mirrored" if mirrored else "as they are",
                "clear: beside, 14 px and more, as they are" if clear else "not so clear",
                f"   {text}",
            ]
            keys += ["writing not found"] if not lines else ["writing found"]
        for key in keys:
            counts.setdefault(key, Counter())[became] += 1
    told(counts)
    print(f"{np.mean(seconds):.3f} s of the processor a film with writing, at most {max(seconds):.3f}")


def on_generated_films(count):
    from raysplay.infer.films.loading_words import stated_in
    from raysplay.synthetic_data.film.compose import compose_film
    from raysplay.synthetic_data.film.settings import archive_settings

    counts = {}
    for number in range(count):
        film = compose_film((7001, number), archive_settings())
        texts = [text for one in film.marks for text in (one.text, one.under) if text]
        wanted = settle(stated for text in texts for stated in stated_in(text.replace("\n", " | ")))
        said, lines, _ = said_on(film.pixels)
        became = "right" if said is wanted else "silent" if said is Loading.UNKNOWN else f"FALSE {said.value}"
        if became.startswith("FALSE"):
            print("   ", number, texts, became)
        key = f"generated films, drawn: {wanted.value}"
        counts.setdefault(key, Counter())[became if lines else f"{became}, no writing found"] += 1
    told(counts)


def main(drawn, generated):
    films = []
    for path in sorted(Path(os.environ["RAYSPLAY_OPEN_FILMS"]).glob("*.jpg")):
        with Image.open(path) as opened:
            films.append((path, np.asarray(opened.convert("L"), np.float32) / np.float32(255)))
    on_open_films(films)
    on_films_with_drawn_lines(films, drawn)
    del films
    on_generated_films(generated)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
