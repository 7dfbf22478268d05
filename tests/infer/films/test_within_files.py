"""Films within other files: members of ZIP archives, frames, files that a DICOMDIR names. ZIP files by ``zipfile``."""

from __future__ import annotations

import io
import os
import shutil
import struct
import zipfile
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from pydicom import dcmread
from pydicom.data import get_testdata_file
from pydicom.uid import (
    DigitalXRayImageStorageForPresentation,
    JPEGLSLossless,
    MultiFrameGrayscaleWordSecondaryCaptureImageStorage,
    XRayAngiographicImageStorage,
)

from raysplay.infer.films import zipped
from raysplay.infer.films.collect import collect
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.inside import declared_frames
from raysplay.infer.films.media_directory import follow
from raysplay.infer.films.place import Place, frame_path, place_of, split_frame, within
from raysplay.infer.films.read import film_digest, read_film
from raysplay.infer.films.remark import RemarkKind
from raysplay.infer.outputs.names import film_name, film_path
from raysplay.infer.reason import ReasonKind


@pytest.fixture
def png() -> bytes:
    stream = io.BytesIO()
    Image.fromarray((np.arange(900, dtype=np.uint32).reshape(30, 30) % 251).astype(np.uint8)).save(stream, "PNG")
    return stream.getvalue()


def _zip(path: Path, members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(path, "w", method) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return path


def _fates(folder: Path, limits) -> dict[str, str]:
    """What becomes of every listed file: ``film``, or its reason."""
    fates: dict[str, str] = {}
    for candidate in collect([folder], limits).candidates:
        assert candidate.name not in fates
        try:
            if candidate.problem is not None:
                raise candidate.problem
            read_film(candidate.path, limits)
            fates[candidate.name] = "film"
        except FilmRejected as rejected:
            fates[candidate.name] = f"{rejected.kind.value}: {rejected}"
    return fates


class TestPlaces:
    def test_a_path_that_exists_is_itself(self, tmp_path: Path) -> None:
        (tmp_path / "odd!").mkdir()
        film = tmp_path / "odd!" / "film.dcm"
        film.write_bytes(b"1")
        assert place_of(film) == Place(film)

    def test_into_a_file(self, tmp_path: Path) -> None:
        archive = _zip(tmp_path / "a.zip", {"x/y": b"1"})
        assert place_of(within(archive, "x/y")) == Place(archive, "x/y")
        assert place_of(frame_path(within(archive, "x/y"), 3)) == Place(archive, "x/y!/frame-3")
        assert split_frame("x/y!/frame-3") == ("x/y", 3)
        assert split_frame("frame-12") == ("", 12)
        assert split_frame("frame-0") == ("frame-0", None)
        assert place_of(tmp_path / "gone!/x") == Place(tmp_path / "gone!/x")

    def test_names_come_back(self) -> None:
        """Also of members that bear line breaks, formulas and backslashes."""
        for name in ("a.zip!/=1+1.dcm", "a.zip!/a\nb", "=a.zip!/c\\d.dcm", "a.zip!/e.dcm!/frame-3"):
            assert film_path(film_name(name)) == name
            assert "\n" not in film_name(name)


class TestZip:
    def test_members_are_films_and_nothing_is_unpacked(self, tmp_path, limits, write, make_dicom, grey12, png) -> None:
        plain = write(make_dicom(grey12))
        study = tmp_path / "in"
        study.mkdir()
        members = {"IM/2.dcm": plain.read_bytes(), "IM/10.png": png, "note.txt": b"words\n"}
        _zip(study / "study.zip", {**members, "__MACOSX/IM/._2.dcm": b"\0\5\26\7"})
        assert _fates(study, limits) == {
            "study.zip!/IM/10.png": "film",
            "study.zip!/IM/2.dcm": "film",
            "study.zip!/note.txt": "other_file: a text file",
        }
        assert os.listdir(study) == ["study.zip"]
        film = read_film(within(study / "study.zip", "IM/2.dcm"), limits)
        np.testing.assert_array_equal(film.pixels, read_film(plain, limits).pixels)
        assert film.sha256 == read_film(plain, limits).sha256 == film_digest(plain, limits)

    def test_by_content_not_by_name(self, tmp_path, limits, png) -> None:
        _zip(tmp_path / "study.dat", {"a.png": png})
        (tmp_path / "plain.zip").write_bytes(png + b"\0")
        assert _fates(tmp_path, limits) == {"plain.zip": "film", "study.dat!/a.png": "film"}

    def test_a_copy_within_an_archive_is_a_duplicate(self, tmp_path, limits, png) -> None:
        _zip(tmp_path / "study.zip", {"a.png": png})
        (tmp_path / "a.png").write_bytes(png)
        assert _fates(tmp_path, limits) == {"a.png": "film", "study.zip!/a.png": "duplicate: same file as a.png"}

    def test_an_archive_within_an_archive_is_not_opened(self, tmp_path, limits, png) -> None:
        inner = _zip(tmp_path / "inner", {"a.png": png}).read_bytes()
        (tmp_path / "inner").unlink()
        _zip(tmp_path / "outer.zip", {"inner.zip": inner, "b.png": png})
        fates = _fates(tmp_path, limits)
        assert fates["outer.zip!/b.png"] == "film"
        assert fates["outer.zip!/inner.zip"].startswith("container: a ZIP archive or office document within a ZIP")

    def test_office_documents_are_one_row(self, tmp_path, limits) -> None:
        _zip(tmp_path / "letter.docx", {"[Content_Types].xml": b"<x/>", "word/document.xml": b"<x/>"})
        assert _fates(tmp_path, limits) == {
            "letter.docx": "other_file: an office document or a program package, not a study"
        }

    def test_encrypted_members_say_so(self, tmp_path, limits, png) -> None:
        """The flag of APPNOTE.TXT, 4.4.4, bit 0, in both headers."""
        content = bytearray(_zip(tmp_path / "a.zip", {"a.png": png}).read_bytes())
        for at in (content.index(b"PK\3\4") + 6, content.index(b"PK\1\2") + 8):
            content[at] |= 1
        (tmp_path / "a.zip").write_bytes(content)
        assert _fates(tmp_path, limits) == {
            "a.zip!/a.png": "encrypted: a member of an encrypted ZIP archive: decrypt it first"
        }

    @pytest.mark.parametrize("kept", [0.3, 0.7, 0.97])
    def test_truncated(self, tmp_path, limits, png, kept) -> None:
        content = _zip(tmp_path / "a.zip", {f"{i}.png": png for i in range(9)}).read_bytes()
        (tmp_path / "a.zip").write_bytes(content[: int(kept * len(content))])
        (fate,) = _fates(tmp_path, limits).values()
        assert fate.startswith("container: a ZIP archive that cannot be gone through: it is cut off or damaged")

    def test_damaged_member(self, tmp_path, limits, png) -> None:
        content = bytearray(_zip(tmp_path / "a.zip", {"a.png": png}, zipfile.ZIP_STORED).read_bytes())
        content[content.index(b"IDAT") + 10] ^= 1
        (tmp_path / "a.zip").write_bytes(content)
        assert _fates(tmp_path, limits) == {"a.zip!/a.png": f"unreadable: {zipped.DAMAGED}"}

    def test_bombs(self, tmp_path, limits) -> None:
        """One member beyond the limit; many that unpack to far more than the archive has."""
        tight = limits.model_copy(update={"max_file_bytes": 1 << 20})
        _zip(tmp_path / "one.zip", {"a.dcm": bytes((1 << 20) + 1)})
        _zip(tmp_path / "many.zip", {f"{i}.dcm": bytes(1 << 20) for i in range(20)})
        fates = _fates(tmp_path, tight)
        assert len(fates) == 2
        assert all("unpacks to more than 200 times its size" in fate for fate in fates.values())
        _zip(tmp_path / "large.zip", {"a.dcm": bytes((1 << 20) + 1), "b": os.urandom(1 << 18)})
        assert (
            _fates(tmp_path, tight)["large.zip!/a.dcm"] == "unreadable: too large: 1048577 bytes, the limit is 1048576"
        )

    def test_a_member_that_holds_more_than_it_says(self, tmp_path, limits) -> None:
        content = bytearray(_zip(tmp_path / "a.zip", {"a.dcm": bytes(100_000)}).read_bytes())
        at = content.index(b"PK\1\2") + 24
        content[at : at + 4] = struct.pack("<I", 600)
        (tmp_path / "a.zip").write_bytes(content)
        (fate,) = _fates(tmp_path, limits).values()
        assert "film" not in fate.split(":")[0]

    def test_too_many_members(self, tmp_path, limits) -> None:
        _zip(tmp_path / "a.zip", {str(i): b"x" for i in range(40)})
        (fate,) = _fates(tmp_path, limits.model_copy(update={"max_zip_members": 39})).values()
        assert "more than 39 members" in fate
        (fate,) = _fates(tmp_path, limits.model_copy(update={"max_zip_directory_bytes": 500})).values()
        assert "its directory is larger than 500 bytes" in fate

    def test_names_that_lead_elsewhere(self, tmp_path, limits, png) -> None:
        (tmp_path / "secret.png").write_bytes(png)
        with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
            for name in ("../secret.png", "/abs.png", "x/../../y", "a//b.png", "=cmd|x", "line\nbreak.png"):
                archive.writestr(name, png + name.encode())
            with pytest.warns(UserWarning, match="Duplicate name"):
                archive.writestr("=cmd|x", png)
        fates = _fates(tmp_path, limits)
        assert fates.pop("secret.png") == "film"
        assert {name for name, fate in fates.items() if fate == "film"} == {
            "a.zip!/abs.png",
            "a.zip!/a/b.png",
            "a.zip!/=cmd|x",
            "a.zip!/line\nbreak.png",
        }
        assert fates["a.zip!/(..)/secret.png"].startswith("container: its name leads out")
        assert fates["a.zip!/x/(..)/(..)/y"].startswith("container: its name leads out")
        assert fates["a.zip!/=cmd|x (2)"].startswith("container: another member")
        assert len(fates) == 7

    def test_names_in_bytes_that_are_no_text(self, tmp_path, limits, png) -> None:
        content = _zip(tmp_path / "a.zip", {"f_lm.png": png}).read_bytes()
        (tmp_path / "a.zip").write_bytes(content.replace(b"f_lm", b"f\xfflm"))
        ((name, fate),) = _fates(tmp_path, limits).items()
        assert fate == "film"
        film_name(name).encode("utf-8")

    def test_changed_between_two_members(self, tmp_path, limits, png) -> None:
        archive = _zip(tmp_path / "a.zip", {"a.png": png, "b.png": png[:-1] + b"x"})
        read_film(within(archive, "a.png"), limits)
        _zip(archive, {"c.png": png})
        with pytest.raises(FilmRejected) as refused:
            read_film(within(archive, "b.png"), limits)
        assert refused.value.kind is ReasonKind.MISSING
        assert read_film(within(archive, "c.png"), limits).pixels.shape == (30, 30)


class TestFrames:
    @pytest.fixture
    def cine(self, make_dicom, grey12):
        def make(frames: int = 3, sop_class=MultiFrameGrayscaleWordSecondaryCaptureImageStorage, **attributes):
            stack = np.stack([np.roll(grey12, 3 * i, axis=1) for i in range(frames)])
            ds = make_dicom(grey12, SOPClassUID=sop_class, Modality="OT", NumberOfFrames=frames, **attributes)
            ds.PixelData = stack.tobytes()
            return ds, stack

        return make

    @pytest.mark.parametrize("syntax", [None, JPEGLSLossless])
    def test_each_is_a_film_and_says_which(self, tmp_path, limits, cine, syntax) -> None:
        ds, stack = cine(WindowCenter=2048, WindowWidth=4096)
        if syntax:
            ds.compress(syntax, generate_instance_uid=False)
        ds.save_as(tmp_path / "cine.dcm", enforce_file_format=True)
        assert _fates(tmp_path, limits) == {f"cine.dcm!/frame-{i}": "film" for i in (1, 2, 3)}
        films = [read_film(frame_path(tmp_path / "cine.dcm", i), limits) for i in (1, 2, 3)]
        for i, film in enumerate(films):
            np.testing.assert_array_equal(np.rint(film.pixels * 4095), stack[i])
            assert [r.text for r in film.remarks if r.kind is RemarkKind.FRAME] == [f"frame {i + 1} of 3"]
        assert len({film.sha256 for film in films}) == 3
        with pytest.raises(FilmRejected, match="no frame 4") as refused:
            read_film(frame_path(tmp_path / "cine.dcm", 4), limits)
        assert refused.value.kind is ReasonKind.MISSING

    def test_frames_of_a_copy_are_duplicates(self, tmp_path, limits, cine) -> None:
        """In a folder and in a ZIP archive; frames of one object are none of one another, nor of one that differs."""
        ds, _ = cine(2)
        ds.save_as(tmp_path / "a.dcm", enforce_file_format=True)
        content = (tmp_path / "a.dcm").read_bytes()
        (tmp_path / "b.dcm").write_bytes(content)
        (tmp_path / "other.dcm").write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
        _zip(tmp_path / "c.zip", {"cine.dcm": content})
        assert _fates(tmp_path, limits) == {
            **{f"{name}!/frame-{i}": "film" for name in ("a.dcm", "other.dcm") for i in (1, 2)},
            **{
                f"{name}!/frame-{i}": f"duplicate: same file as a.dcm!/frame-{i}"
                for name in ("b.dcm", "c.zip!/cine.dcm")
                for i in (1, 2)
            },
        }

    def test_within_an_archive(self, tmp_path, limits, cine) -> None:
        ds, _ = cine(2)
        stream = io.BytesIO()
        ds.save_as(stream, enforce_file_format=True)
        _zip(tmp_path / "a.zip", {"cine.dcm": stream.getvalue()})
        assert _fates(tmp_path, limits) == {f"a.zip!/cine.dcm!/frame-{i}": "film" for i in (1, 2)}

    def test_too_many_are_one_row(self, tmp_path, limits, cine) -> None:
        ds, _ = cine(5)
        ds.save_as(tmp_path / "cine.dcm", enforce_file_format=True)
        (fate,) = _fates(tmp_path, limits.model_copy(update={"max_frames": 4})).values()
        assert fate == "container: a multi-frame object with 5 frames, not a single film: up to 4 are read"

    def test_a_cine_run_is_one_row(self, tmp_path, limits, cine) -> None:
        ds, _ = cine(5, XRayAngiographicImageStorage)
        ds.save_as(tmp_path / "cine.dcm", enforce_file_format=True)
        (fate,) = _fates(tmp_path, limits).values()
        assert "not a projection radiograph" in fate

    @pytest.mark.parametrize(
        "name", ["SC_rgb_rle_2frame.dcm", "SC_rgb_rle_16bit_2frame.dcm", "CT_small.dcm", "MR_small_bigendian.dcm"]
    )
    def test_declared_frames_of_real_files(self, name) -> None:
        path = Path(str(get_testdata_file(name, download=False)))
        expected = int(dcmread(path).get("NumberOfFrames", 1)) if "2frame" in name else 1
        assert declared_frames(path.read_bytes()[: 1 << 16]) == expected

    @pytest.mark.parametrize("syntax", ["1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2"])
    def test_in_every_encoding_of_the_header(self, cine, syntax) -> None:
        ds, _ = cine(12, BitsStored=12)
        ds.file_meta.TransferSyntaxUID = syntax
        stream = io.BytesIO()
        ds.save_as(stream, enforce_file_format=True)
        assert declared_frames(stream.getvalue()) == 12

    def test_one_frame_is_a_film_like_others(self, tmp_path, limits, make_dicom, grey12) -> None:
        ds = make_dicom(grey12, SOPClassUID=DigitalXRayImageStorageForPresentation, NumberOfFrames=1)
        ds.save_as(tmp_path / "a.dcm", enforce_file_format=True)
        assert _fates(tmp_path, limits) == {"a.dcm": "film"}

    def test_words_on_another_frame_are_not_taken(self, tmp_path, limits, cine) -> None:
        """Frame Laterality of PS3.3, C.7.6.16.2.8: each frame's own."""
        from pydicom.dataset import Dataset

        ds, _ = cine(2)
        groups = []
        for side in ("L", "R"):
            anatomy, group = Dataset(), Dataset()
            anatomy.FrameLaterality = side
            group.FrameAnatomySequence = [anatomy]
            groups.append(group)
        ds.PerFrameFunctionalGroupsSequence = groups
        ds.save_as(tmp_path / "cine.dcm", enforce_file_format=True)
        sides = [read_film(frame_path(tmp_path / "cine.dcm", i), limits).laterality for i in (1, 2)]
        assert sides == ["L", "R"]


class TestDicomdir:
    """The media set that ships with pydicom: 81 files, 50 of them named by its directory (PS3.10, 8)."""

    @pytest.fixture
    def media(self, tmp_path) -> Path:
        source = Path(str(get_testdata_file("DICOMDIR", download=False))).parent
        target = tmp_path / "media"
        target.mkdir()
        shutil.copy(source / "DICOMDIR", target)
        for folder in ("77654033", "98892001", "98892003"):
            if (source / folder).is_dir():
                shutil.copytree(source / folder, target / folder)
        return target

    def test_records_are_followed(self, media, limits) -> None:
        named = {
            "/".join(record.ReferencedFileID)
            for record in dcmread(media / "DICOMDIR").DirectoryRecordSequence
            if "ReferencedFileID" in record
        }
        there = {name for name in named if (media / name).is_file()}
        found = {c.name: c.problem for c in collect([media / "DICOMDIR"], limits).candidates}
        assert {name for name, problem in found.items() if problem is None} == there
        assert str(found.pop("DICOMDIR")) == (
            f"a DICOM directory (DICOMDIR) of {len(named)} files, {len(named - there)} of them missing, not a film"
        )

    def test_missing_files_get_a_row_each(self, media, limits) -> None:
        gone = sorted(path for path in (media / "77654033").rglob("*") if path.is_file())[:2]
        for path in gone:
            path.unlink()
        for given in (media, media / "DICOMDIR"):
            found = {c.name: c.problem for c in collect([given], limits).candidates}
            rows = [n for n, problem in found.items() if problem and problem.kind is ReasonKind.MISSING]
            expected = {f"DICOMDIR!/{path.relative_to(media).as_posix()}" for path in gone}
            assert expected <= set(rows)

    def test_small_letters_and_versions_of_media(self, media, limits) -> None:
        folder = media / "77654033"
        folder.rename(media / "77654033;1")  # no letters in these names
        found = {c.name: c.problem for c in collect([media / "DICOMDIR"], limits).candidates}
        assert found["77654033;1/CR1/6154"] is None
        assert follow(("IMAGES", "IM1"), {"images/im1"}.__contains__, {"": ["images"], "images": ["im1"]}.__getitem__)
        assert follow(("..", "IM1"), lambda _: True, lambda _: []) is None

    def test_names_that_lead_out_of_the_folder_are_not_followed(self, media, limits, tmp_path) -> None:
        (tmp_path / "SECRET").write_bytes(b"x")
        ds = dcmread(media / "DICOMDIR")
        record = next(one for one in ds.DirectoryRecordSequence if "ReferencedFileID" in one)
        record.ReferencedFileID = ["..", "SECRET"]
        ds.save_as(media / "DICOMDIR")
        found = {c.name: c.problem for c in collect([media / "DICOMDIR"], limits).candidates}
        assert all(".." not in Path(name).parts for name in found)
        assert "DICOMDIR!/(..)/SECRET" in found

    def test_within_an_archive(self, media, limits, tmp_path) -> None:
        with zipfile.ZipFile(tmp_path / "cd.zip", "w") as archive:
            for path in sorted(media.rglob("*")):
                if path.is_file() and path.name != "6154":
                    archive.write(path, path.relative_to(media).as_posix())
        found = {c.name: c.problem for c in collect([tmp_path / "cd.zip"], limits).candidates}
        assert found["cd.zip!/DICOMDIR"].kind is ReasonKind.CONTAINER
        assert found["cd.zip!/DICOMDIR!/77654033/CR1/6154"].kind is ReasonKind.MISSING
        assert found["cd.zip!/77654033/CR2/6247"] is None
