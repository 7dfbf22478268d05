"""Films as the page gets them: every bit of their depth, ahead of time, and what happens where they are not."""

import os
import re
import shutil
import sys

import numpy as np
import pydicom
import pytest
from PIL import Image

from raysplay.infer.films.polarity import INVERTED
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.outputs.names import film_name
from raysplay.infer.review.films import FilmShelf, FilmUnavailableError


@pytest.fixture
def shelf(harbour):
    with FilmShelf(FinishedRun(harbour), None, 20_000_000) as opened:
        yield opened


def pixels(page, film=1):
    answer = page.get(f"/api/films/{film}/pixels")
    assert answer.status_code == 200
    rows, columns = int(answer.headers["X-Rows"]), int(answer.headers["X-Columns"])
    return np.frombuffer(answer.content, "<u2").reshape(rows, columns)


def test_pixels_keep_the_depth_of_the_film(page, films_folder):
    """Stored values as pydicom reads them; the window is the whole 12-bit range (PS3.3, C.11.2.1.2.1)."""
    stored = pydicom.dcmread(films_folder / "spring" / "cook.dcm").pixel_array.astype(float)
    shown = pixels(page)
    expected = np.clip((stored - 2047.5) / 4095 + 0.5, 0, 1) * 65535
    assert np.abs(shown - expected).max() <= 0.51
    assert np.unique(shown).size == np.unique(stored).size


@pytest.mark.parametrize("photometric", ["MONOCHROME2", "MONOCHROME1"])
def test_values_beyond_the_stated_window_are_kept(serve, harbour, films_folder, photometric):
    """PS3.3, C.11.2.1.2.1: a window is black at c - 0.5 - (w - 1) / 2 and white at c - 0.5 + (w - 1) / 2."""
    path = films_folder / "spring" / "cook.dcm"
    ds = pydicom.dcmread(path)
    ds.WindowCenter, ds.WindowWidth, ds.PhotometricInterpretation = 1000, 501, photometric
    ds.save_as(path)
    answer = serve(harbour).browser().get("/api/films/1/pixels")
    shown = np.frombuffer(answer.content, "<u2").reshape(1000, 900).astype(float)
    stored = ds.pixel_array.astype(float)
    assert np.unique(shown).size == 4096
    black, white = (int(answer.headers[f"X-{name}"]) for name in ("Black", "White"))
    grey = (shown - black) / (white - black)
    expected = (stored - 749.5) / 500
    if photometric == "MONOCHROME1":
        expected = 1 - expected
    assert np.abs(grey - expected).max() < 2 / (white - black)


def test_a_16_bit_picture_keeps_all_its_values(harbour, films_folder):
    stored = np.random.default_rng(1).integers(0, 65536, (300, 300), dtype=np.uint16)
    Image.fromarray(stored).save(films_folder / "spring" / "cook.dcm", format="PNG")
    with FilmShelf(FinishedRun(harbour), None, 20_000_000) as shelf:
        picture = shelf.picture(0)
    shown = np.frombuffer(picture.data, "<u2").reshape(300, 300)
    lowest, highest = float(stored.min()), float(stored.max())
    assert np.abs(shown - (stored - lowest) / (highest - lowest) * 65535).max() < 1
    assert 0 < picture.low < picture.high < 65535


def test_a_film_that_the_run_turned_by_its_feet_is_shown_turned(serve, harbour, films_folder):
    """The file does not tell that it is inverted; the remark in films.csv does."""
    stored = pydicom.dcmread(films_folder / "spring" / "cook.dcm").pixel_array.astype(float)
    table = harbour / "films.csv"
    text = table.read_text(encoding="utf-8").replace("loading unknown", INVERTED.text)
    table.write_text(text.replace("loading_unknown", INVERTED.kind.value), encoding="utf-8")
    shown = pixels(serve(harbour).browser())
    expected = 1 - np.clip((stored - 2047.5) / 4095 + 0.5, 0, 1)
    assert np.abs(shown - expected * 65535).max() <= 0.51


def test_a_film_that_is_gone_says_so_and_nothing_is_lost(page, films_folder):
    saved = page.post("/api/feet/1/reads", json={"version": 0, "verdict": "confirm"})
    assert saved.status_code == 200
    (films_folder / "spring" / "cook.dcm").unlink()
    shown = page.get("/api/feet/1").json()
    assert "--films" in shown["film_notice"]
    assert shown["state"] == "confirmed"
    assert len(shown["points"]) > 0
    gone = page.get("/api/films/1/pixels")
    assert gone.status_code == 404
    assert "--films" in gone.json()["error"]
    assert str(films_folder) not in gone.text
    assert page.get("/api/feet").json()["total"] == 6
    pixels(page, 2)


def test_films_that_moved_are_found_at_their_new_place(serve, harbour, films_folder, tmp_path):
    shutil.move(films_folder, tmp_path / "elsewhere")
    page = serve(harbour, films=tmp_path / "elsewhere").browser()
    assert page.get("/api/feet/1").json()["film_notice"] is None
    pixels(page)


def test_a_file_that_the_run_did_not_read_is_not_called_changed(serve, make_run, films_folder):
    """The run keeps no digest of copies and of files that it could not read."""
    folder = make_run({"a.dcm": [("R", "accepted", [])], "copy.dcm": []})
    table = folder / "films.csv"
    rows = table.read_text(encoding="utf-8").splitlines(keepends=True)
    (digest,) = re.findall(r'"([0-9a-f]{64})"', rows[2])
    table.write_text("".join([*rows[:2], rows[2].replace(digest, "")]), encoding="utf-8")
    page = serve(folder).browser("AB")
    assert page.get("/api/feet/2").json()["film_notice"] is None


def test_a_changed_film_is_shown_with_a_warning_and_reads_stay(page, films_folder):
    page.post("/api/feet/1/reads", json={"version": 0, "verdict": "confirm"})
    before = page.get("/api/feet/1").json()
    assert before["film_notice"] is None
    shutil.copy(films_folder / "spring" / "mate.dcm", films_folder / "spring" / "cook.dcm")
    after = page.get("/api/feet/1").json()
    assert "not the one that was measured" in after["film_notice"]
    assert {name: after[name] for name in ("state", "version", "points", "history")} == {
        name: before[name] for name in ("state", "version", "points", "history")
    }
    pixels(page)


def test_a_damaged_film_is_one_sentence(page, films_folder):
    (films_folder / "spring" / "cook.dcm").write_bytes(b"\0" * 128 + b"DICM" + b"\xff" * 64)
    answer = page.get("/api/films/1/pixels")
    assert answer.status_code == 404
    assert "cannot be shown" in answer.json()["error"]


@pytest.mark.parametrize("name", ["../outside.dcm", "/etc/passwd", "spring/../../outside.dcm"])
def test_a_name_that_leads_out_of_the_films_is_not_opened(harbour, tmp_path, name):
    """A table of the run that somebody changed: OWASP, path traversal."""
    (tmp_path / "outside.dcm").write_bytes((tmp_path / "films" / "spring" / "cook.dcm").read_bytes())
    for table in ("feet.csv", "films.csv", "crops.csv"):
        text = (harbour / table).read_text().replace("spring/cook.dcm", name)
        (harbour / table).write_text(text)
    with FilmShelf(FinishedRun(harbour), None, 20_000_000) as shelf:
        assert "leads out" in shelf.notice(0)
        with pytest.raises(FilmUnavailableError, match="leads out"):
            shelf.picture(0)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows allows no such names")
@pytest.mark.parametrize("odd", [b"\xff cook.dcm", b"=cook.dcm", b"co\nok.dcm", b"co\\nok.dcm", b"100%0A.dcm"])
def test_an_odd_name_is_found_again(make_run, odd):
    odd = os.fsdecode(b"spring/" + odd) if not odd.startswith(b"=") else os.fsdecode(odd)
    folder = make_run({"spring/plain.dcm": [("R", "accepted", [])]})
    films = folder.parent / "films"
    (films / "spring" / "plain.dcm").rename(films / odd)
    for table in ("feet.csv", "films.csv", "crops.csv"):
        (folder / table).write_text((folder / table).read_text().replace("spring/plain.dcm", film_name(odd)))
    with FilmShelf(FinishedRun(folder), None, 20_000_000) as shelf:
        assert shelf.notice(0) == ""
        assert shelf.picture(0).rows == 1000


def test_the_shelf_keeps_within_its_memory(shelf):
    """Each film here takes 1.8 MB; room is for eleven, so all five stay; with room for two, two stay."""
    for film in range(5):
        shelf.picture(film)
    assert sum(one.done() for one in shelf._kept.values()) == 5
    shelf._cache_bytes = 4_000_000
    shelf._forget(0)
    shelf.picture(0)
    assert sum(len(one.result().data) for one in shelf._kept.values()) <= 4_000_000
    assert 0 in shelf._kept


def test_films_ahead_are_ready_when_they_are_asked_for(shelf):
    shelf.prepare([1, 2])
    ahead = [shelf._kept[film].result(timeout=120) for film in (1, 2)]
    shelf._readers[0].read = lambda path: pytest.fail("was decoded again")
    assert [shelf.picture(film) for film in (1, 2)] == ahead


def test_nobody_waits_for_a_guess(shelf):
    """A film that is asked for while guesses wait is decoded at once, by the other process."""
    shelf.prepare([0, 1, 2, 3])
    assert shelf.picture(3).rows == 1000
    assert shelf.picture(0).rows == 1000
