"""The decoding process: crashes, limits, speed of recovery, and a seeded mutation fuzz.

Decoders that misbehave are functions in a module written for the test and named to the reader.
"""

from __future__ import annotations

import hashlib
import itertools
import os
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image
from pydicom.dataset import Dataset
from pydicom.uid import JPEG2000Lossless, JPEGLSLossless, RLELossless

from raysplay.infer.films import decode
from raysplay.infer.films.decode import FilmReader, FilmReaders
from raysplay.infer.films.film import Damage, Film, FilmRejected
from raysplay.infer.films.loading import Loading
from raysplay.infer.films.read import read_film
from raysplay.infer.films.remark import RemarkKind
from raysplay.infer.films.settings import FilmLimits
from raysplay.infer.reason import ReasonKind

linux = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc and needs an enforced memory limit")

MISBEHAVING = """
    import ctypes, os, sys, time
    import numpy as np
    from raysplay.infer.films.film import Damage, Film, FilmRejected
    from raysplay.infer.films.remark import Remark, RemarkKind

    class PanicException(BaseException):
        pass

    kept = []

    def decode(path, limits):
        name = path.name
        if name == "abort":
            os.abort()
        if name == "segfault":
            ctypes.string_at(0)
        if name == "exit":
            os._exit(3)
        if name == "hang":
            while True:
                time.sleep(0.01)
        if name == "fill":
            kept.append(np.empty(4 * limits.decode_memory_bytes // 8))
        if name == "leak":
            kept.append(np.empty(limits.decode_memory_bytes // 3 // 8))
        if name == "panic":
            raise PanicException("secret text")
        if name == "exception":
            raise ValueError("secret text")
        if name == "recursion":
            return decode(path, limits)
        if name == "chatter":
            os.write(1, b'{"reason": "forged"}' + bytes([10]))
            print("noise", flush=True)
        if name == "once_bitten":
            if kept:
                os.abort()
        kept.append(0)
        damage = Damage.TORN if name == "torn" else None
        remarks = (Remark(RemarkKind.GREY_LEVELS, str(os.getpid())),)
        return Film(path=path, pixels=np.full((3, 4), 0.5, np.float32), damage=damage, remarks=remarks)
"""


@pytest.fixture
def misbehaving(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, limits: FilmLimits) -> Iterator[FilmReader]:
    (tmp_path / "misbehaving_decoders.py").write_text(textwrap.dedent(MISBEHAVING))
    monkeypatch.setenv("PYTHONPATH", str(tmp_path), prepend=os.pathsep)
    strict = limits.model_copy(update={"decode_seconds": 120.0, "decode_memory_bytes": 1 << 30})
    with FilmReader(strict, decoder="misbehaving_decoders:decode") as reader:
        yield reader


@pytest.fixture
def hurried(misbehaving: FilmReader, limits: FilmLimits) -> Iterator[FilmReader]:
    """The same decoders with little time, for what never ends."""
    with FilmReader(limits.model_copy(update={"decode_seconds": 3.0}), decoder="misbehaving_decoders:decode") as reader:
        yield reader


def _child_status(reader: FilmReader, field: str) -> int:
    """A field of /proc/PID/status in bytes."""
    for line in Path(f"/proc/{reader.child_pid}/status").read_text().splitlines():
        if line.startswith(field):
            return int(line.split()[1]) * 1024
    raise AssertionError(field)


def _outcome(reader: FilmReader, path: Path) -> tuple[Film | None, str]:
    try:
        return reader.read(path), ""
    except FilmRejected as refused:
        return None, str(refused)


class TestFaithfulness:
    def test_film_arrives_as_decoded_here(self, reader, limits, write, make_dicom, grey12) -> None:
        path = write(
            make_dicom(
                grey12,
                ImagerPixelSpacing=[0.3, 0.25],
                FieldOfViewShape="RECTANGLE",
                FieldOfViewDimensions=[12, 15],
                ImageLaterality="R",
                ViewPosition="AP",
                SeriesDescription="Foot, partial weight bearing",
            )
        )
        here, there = read_film(path, limits), reader.read(path)
        np.testing.assert_array_equal(there.pixels, here.pixels)
        for name in ("path", "spacing", "laterality", "view", "loading", "sha256", "remarks"):
            assert getattr(there, name) == getattr(here, name), name
        assert there.loading is Loading.PARTIAL
        assert there.spacing.shape_confirmed
        assert {remark.kind for remark in there.remarks} >= {RemarkKind.LOADING, RemarkKind.SPACING}
        assert there.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()

    def test_name_that_is_no_text(self, reader, tmp_path) -> None:
        if sys.platform != "linux":
            pytest.skip("other systems refuse such names")
        path = tmp_path / os.fsdecode(b"f\xfflm.png")
        grey = np.arange(900, dtype=np.uint32).reshape(30, 30) % 251
        Image.fromarray(grey.astype(np.uint8)).save(path, format="PNG")
        assert reader.read(path).pixels.shape == (30, 30)

    def test_pixels_can_be_written_and_outlive_the_reader(self, limits, tmp_path) -> None:
        Image.fromarray(np.eye(64, dtype=np.uint8) * 200).save(tmp_path / "a.png")
        with FilmReader(limits) as reader:
            film = reader.read(tmp_path / "a.png")
        film.pixels[0, 0] = 0.25
        assert film.pixels[0, 0] == 0.25


class TestChildIsLean:
    def test_neither_torch_nor_a_gpl_decoder_is_imported(self) -> None:
        script = "import sys, raysplay.infer.films.worker, raysplay.infer.films.read;print(*sys.modules)"
        modules = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
        loaded = set(modules.stdout.split())
        assert "raysplay.infer.films.dicom" in loaded
        assert loaded.isdisjoint({"torch", "torchvision", "libjpeg", "gdcm", "matplotlib"})


def test_kind_and_numbers_of_a_refusal_come_through_the_process(limits, write, make_dicom, grey12) -> None:
    ds = make_dicom(grey12)
    there = len(ds.PixelData)
    ds.Rows += 1
    with FilmReader(limits) as reader, pytest.raises(FilmRejected) as refused:
        reader.read(write(ds))
    assert refused.value.kind is ReasonKind.TRUNCATED
    assert refused.value.numbers["there"] == there < refused.value.numbers["expected"]


class TestMisbehavingDecoders:
    @pytest.mark.parametrize(
        ("name", "reason"),
        [
            ("abort", r"crashed on this file \(SIGABRT\)"),
            ("segfault", r"crashed on this file \(SIGSEGV\)"),
            ("exit", r"ended unexpectedly on this file \(status 3\)"),
            ("panic", r"decoding failed \(PanicException\)"),
            ("exception", r"decoding failed \(ValueError\)"),
            ("recursion", "nested too deeply"),
        ],
    )
    def test_become_a_reason_and_the_next_film_is_read(self, misbehaving, name, reason) -> None:
        assert misbehaving.read(Path("fine")).pixels.shape == (3, 4)
        with pytest.raises(FilmRejected, match=reason) as refused:
            misbehaving.read(Path(name))
        assert "secret" not in str(refused.value)
        assert misbehaving.read(Path("fine")).pixels.shape == (3, 4)

    @linux
    def test_memory_is_bounded(self, misbehaving) -> None:
        with pytest.raises(FilmRejected, match="more memory than allowed") as refused:
            misbehaving.read(Path("fill"))
        assert refused.value.kind is ReasonKind.OUT_OF_MEMORY
        assert misbehaving.read(Path("fine")).pixels.shape == (3, 4)
        assert _child_status(misbehaving, "VmPeak") <= 1 << 30

    @linux
    def test_no_film_pays_for_a_leak_of_earlier_ones(self, misbehaving) -> None:
        pids = {misbehaving.read(Path("leak")).remarks[0] for _ in range(6)}
        assert len(pids) > 1

    def test_crash_in_a_used_child_is_tried_once_more(self, misbehaving) -> None:
        misbehaving.read(Path("fine"))
        assert misbehaving.read(Path("once_bitten")).pixels.shape == (3, 4)

    @pytest.mark.parametrize(("took", "attempts"), [(80.0, [120.0, 40.0]), (120.0, [120.0])])
    def test_a_second_attempt_has_what_the_first_left_of_the_time(
        self, misbehaving, monkeypatch, took, attempts
    ) -> None:
        """Each attempt ends for want of memory, and by the clock of the test after most of the time."""
        given, attempt = [], misbehaving._attempt
        clock = itertools.count(0.0, took)
        misbehaving.read(Path("fine"))
        monkeypatch.setattr(decode, "time", SimpleNamespace(monotonic=lambda: next(clock)))
        monkeypatch.setattr(misbehaving, "_attempt", lambda path, left: given.append(left) or attempt(path, left))
        with pytest.raises(FilmRejected) as refused:
            misbehaving.read(Path("fill"))
        assert refused.value.kind is ReasonKind.OUT_OF_MEMORY
        assert given == attempts

    def test_a_child_ended_for_its_time_is_not_tried_again(self, hurried) -> None:
        hurried.read(Path("fine"))
        before = hurried.child_pid
        with pytest.raises(FilmRejected, match="took longer than 3 s"):
            hurried.read(Path("hang"))
        assert hurried.child_pid is None
        assert before is not None
        assert hurried.read(Path("fine")).pixels.shape == (3, 4)

    def test_what_the_picture_looked_like_arrives(self, misbehaving) -> None:
        assert misbehaving.read(Path("torn")).damage is Damage.TORN
        assert misbehaving.read(Path("fine")).damage is None

    def test_what_a_decoder_prints_is_not_taken_for_an_answer(self, misbehaving) -> None:
        assert misbehaving.read(Path("chatter")).pixels.shape == (3, 4)

    def test_child_is_kept_and_a_killed_one_replaced(self, misbehaving) -> None:
        first = misbehaving.read(Path("a")).remarks[0]
        assert misbehaving.read(Path("b")).remarks[0] == first
        os.kill(int(first.text), 9)
        assert misbehaving.read(Path("c")).remarks[0] != first

    def test_child_that_cannot_start_is_an_error_of_the_run(self, limits) -> None:
        with FilmReader(limits, decoder="no_such_module:decode") as broken, pytest.raises(RuntimeError):
            broken.read(Path("x"))

    @linux
    def test_closing_ends_the_child(self, limits, tmp_path) -> None:
        with FilmReader(limits) as reader:
            with pytest.raises(FilmRejected):
                reader.read(tmp_path / "gone")
            pid = reader.child_pid
            assert Path(f"/proc/{pid}").exists()
        assert not Path(f"/proc/{pid}").exists()


class TestHostileFiles:
    @linux
    def test_huge_declared_size_allocates_nothing(self, limits, write, make_dicom, grey12) -> None:
        """60,000 x 60,000 pixels would take 7 GB; the child's peak stays where a small film puts it."""
        with FilmReader(limits) as reader:
            reader.read(write(make_dicom(grey12)))
            before = _child_status(reader, "VmHWM")
            for size in ({"Rows": 60_000, "Columns": 60_000}, {"Rows": 16_000, "Columns": 16_000}):
                with pytest.raises(FilmRejected, match="too large"):
                    reader.read(write(make_dicom(grey12, **size)))
            assert _child_status(reader, "VmHWM") - before < 4 << 20

    @linux
    def test_codestream_larger_than_its_header_stays_within_the_limit(self, limits, write, make_dicom) -> None:
        """Rows and Columns say 40 x 60, the JPEG 2000 stream inside holds 6000 x 6000."""
        large = make_dicom(np.zeros((6000, 6000), np.uint16))
        large.compress(JPEG2000Lossless, generate_instance_uid=False, encoding_plugin="pylibjpeg")
        large.Rows, large.Columns = 40, 60
        tight = limits.model_copy(update={"decode_memory_bytes": 700 << 20})
        with FilmReader(tight) as reader:
            with pytest.raises(FilmRejected):
                reader.read(write(large))
            assert reader.child_pid is None or _child_status(reader, "VmPeak") <= 700 << 20

    def test_deeply_nested_sequences(self, reader, write, make_dicom, grey12) -> None:
        """A sequence in a sequence in ... 3,000 deep, of undefined length (PS3.5, 7.5)."""
        path = write(make_dicom(grey12))
        content = path.read_bytes()
        opened = b"\x08\x00\x15\x11SQ\x00\x00\xff\xff\xff\xff" + b"\xfe\xff\x00\xe0\xff\xff\xff\xff"
        closed = b"\xfe\xff\x0d\xe0\x00\x00\x00\x00" + b"\xfe\xff\xdd\xe0\x00\x00\x00\x00"
        where = content.index(b"\x28\x00\x02\x00US")
        path.write_bytes(content[:where] + opened * 3000 + closed * 3000 + content[where:])
        assert "nested too deeply" in _outcome(reader, path)[1]
        assert reader.read(write(make_dicom(grey12))).pixels.shape == (40, 60)

    @linux
    def test_deflated_bomb(self, limits, tmp_path, make_dicom, grey12, write) -> None:
        """A deflated data set (PS3.5, A.5) that unpacks to 1.3 GB of zeros."""
        import zlib

        path = write(make_dicom(grey12))
        content = path.read_bytes().replace(b"1.2.840.10008.1.2.1\x00", b"1.2.840.10008.1.2.1.99")
        # The longer identifier needs its own length and that of the group.
        at = content.index(b"1.2.840.10008.1.2.1.99")
        head = bytearray(content[: at + 22])
        head[at - 2 : at] = (22).to_bytes(2, "little")
        group = int.from_bytes(head[140:144], "little")
        meta_end = 144 + group + 2
        head[140:144] = (group + 2).to_bytes(4, "little")
        meta = bytes(head) + content[at + 22 : meta_end]
        packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
        # Fully flushed, a block refers to none before it and can be repeated as it is (zlib manual, Z_FULL_FLUSH).
        block = packer.compress(bytes(64 << 20)) + packer.flush(zlib.Z_FULL_FLUSH)
        packed = 20 * block + packer.flush()
        path.write_bytes(meta + packed)
        tight = limits.model_copy(update={"decode_memory_bytes": 700 << 20})
        with FilmReader(tight) as reader:
            with pytest.raises(FilmRejected, match="unpacks to more than"):
                reader.read(path)
            assert _child_status(reader, "VmHWM") < 300 << 20


class TestMutationFuzz:
    """Seeded damage to small files of every kind yields a film or a reason, never anything else."""

    ROUNDS = 2500

    def _seeds(self, make_dicom, grey12, write, tmp_path: Path) -> list[bytes]:
        def encoded(syntax: str | None, **attributes: object) -> bytes:
            ds: Dataset = make_dicom(grey12, WindowCenter=2048, WindowWidth=4096, **attributes)
            if syntax == JPEG2000Lossless:
                ds.compress(syntax, generate_instance_uid=False, encoding_plugin="pylibjpeg")
            elif syntax:
                ds.compress(syntax, generate_instance_uid=False)
            return write(ds).read_bytes()

        seeds = [encoded(syntax) for syntax in (None, JPEGLSLossless, JPEG2000Lossless, RLELossless)]
        seeds.append(encoded(None, PixelPaddingValue=0, ShutterShape="CIRCULAR", ImagerPixelSpacing=[0.1, 0.1]))
        for suffix in ("png", "jpg", "tif"):
            path = tmp_path / f"seed.{suffix}"
            Image.fromarray((grey12 >> 4).astype(np.uint8)).save(path)
            seeds.append(path.read_bytes())
        return seeds

    @staticmethod
    def _damage(content: bytes, rng: np.random.Generator) -> bytes:
        data = bytearray(content)
        for _ in range(int(rng.integers(1, 6))):
            head = min(len(data), 900)
            at = int(rng.integers(0, head if rng.random() < 0.7 else len(data)))
            match int(rng.integers(0, 5)):
                case 0:
                    data[at] = int(rng.integers(0, 256))
                case 1:
                    data[at] ^= 1 << int(rng.integers(0, 8))
                case 2:
                    data[at : at + 4] = rng.choice([b"\xff\xff\xff\xff", bytes(4), b"\xff\xff\xff\x7f"])
                case 3:
                    del data[at : at + int(rng.integers(1, 40))]
                case 4:
                    data[at:at] = data[at : at + int(rng.integers(1, 40))]
            if len(data) < 2:
                break
        return bytes(data[: int(rng.integers(1, len(data) + 1))] if rng.random() < 0.05 else data)

    def test_only_films_and_reasons(self, limits, make_dicom, grey12, write, tmp_path) -> None:
        seeds = self._seeds(make_dicom, grey12, write, tmp_path)
        rng = np.random.default_rng(20251125)
        films, reasons = 0, 0
        path = tmp_path / "mutant"
        with FilmReader(limits.model_copy(update={"decode_seconds": 10.0})) as reader:
            for i in range(self.ROUNDS):
                path.write_bytes(self._damage(seeds[i % len(seeds)], rng))
                film, reason = _outcome(reader, path)
                if film is None:
                    assert "\n" not in reason
                    assert 5 < len(reason) < 200
                    reasons += 1
                else:
                    assert film.pixels.dtype == np.float32
                    assert np.isfinite(film.pixels).all()
                    assert film.pixels.min() >= 0
                    assert film.pixels.max() <= 1
                    films += 1
        assert films + reasons == self.ROUNDS
        assert films > self.ROUNDS / 20
        assert reasons > self.ROUNDS / 20


class TestThroughput:
    def test_child_is_not_started_anew_for_every_film(self, limits, write, make_dicom, grey12) -> None:
        """Starting takes some tenths of a second; forty small films must not take forty starts."""
        path = write(make_dicom(grey12))
        children = set()
        with FilmReader(limits) as reader:
            for _ in range(40):
                reader.read(path)
                children.add(reader.child_pid)
        assert len(children) == 1
        assert None not in children


class TestSeveralReaders:
    def test_threads_have_children_of_their_own_and_no_more_than_they_need(
        self, limits, write, make_dicom, grey12
    ) -> None:
        paths = [write(make_dicom(np.roll(grey12, k, axis=1))) for k in range(4)]
        with FilmReaders(3, limits) as readers:
            for path in paths:
                readers.read(path)
            started = [one.child_pid for one in readers._readers if one.child_pid]
            assert len(started) == 1, "one thread is served by one child"
            with ThreadPoolExecutor(8) as pool:
                films = list(pool.map(readers.read, paths * 4))
            assert [film.path for film in films] == paths * 4
            for path, film in zip(paths * 4, films, strict=True):
                np.testing.assert_array_equal(film.pixels, readers.read(path).pixels)
            children = {one.child_pid for one in readers._readers} - {None}
            assert 1 <= len(children) <= 3
        assert all(one.child_pid is None for one in readers._readers)

    def test_a_film_that_is_none_leaves_its_reader_free(self, limits, tmp_path, write, make_dicom, grey12) -> None:
        good = write(make_dicom(grey12))
        with FilmReaders(1, limits) as readers:
            for _ in range(2):
                with pytest.raises(FilmRejected):
                    readers.read(tmp_path / "none.dcm")
            assert readers.read(good).pixels.shape == grey12.shape
