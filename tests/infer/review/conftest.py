"""A small run of an invented harbour clinic, its films on disk, and the real server over it."""

import contextlib
import csv
import hashlib
import io
import json
import re
import threading
import time
from dataclasses import replace
from functools import cache, lru_cache
from pathlib import Path

import httpx
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pydicom
import pytest
from pydantic import ConfigDict, TypeAdapter, ValidationError

from raysplay.configs.load import digest, landmark_schema, shipped
from raysplay.configs.protocol import protocol
from raysplay.infer.decide.decision import no_foot
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.film import Film, Spacing, SpacingKind
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.outputs.finished_run import FilmFacts, FinishedRun
from raysplay.infer.outputs.run_folder import RunFolder
from raysplay.infer.outputs.run_writer import RunWriter
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Decision, FilmRecord, FootRecord, Measurement, Outcome, Withheld
from raysplay.infer.review import answers, contract
from raysplay.infer.review.blind_desk import BlindDesk
from raysplay.infer.review.films import FilmShelf
from raysplay.infer.review.guard import Door
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.review.reading import FootGauge, PlacedPoints
from raysplay.infer.review.server import ReviewServer
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.store import ReadStore
from raysplay.infer.review.study import Study

MM = 0.2
ROWS, COLUMNS = 1000, 900


@lru_cache(maxsize=16)
def film_bytes(seed, rows, columns, mm):
    """A 12-bit DX film with noise, whose stated window is the whole range; its bytes, its stored values.

    Kept: most tests have the same few.
    """
    stored = np.random.default_rng(seed).integers(0, 4096, (rows, columns), dtype=np.uint16)
    stored.flags.writeable = False
    ds = pydicom.Dataset()
    ds.file_meta = pydicom.dataset.FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = pydicom.uid.ExplicitVRLittleEndian
    ds.SOPClassUID = pydicom.uid.DigitalXRayImageStorageForPresentation
    ds.SOPInstanceUID = f"2.25.{seed + 1}"
    ds.PatientName, ds.PatientID = "Invented^Person", "HARBOUR-7"
    ds.Modality = "DX"
    ds.Rows, ds.Columns = stored.shape
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
    ds.WindowCenter, ds.WindowWidth = 2048, 4096
    ds.ImagerPixelSpacing = [mm, mm]
    ds.PixelData = stored.tobytes()
    stream = io.BytesIO()
    ds.save_as(stream, enforce_file_format=True)
    return stream.getvalue(), stored


def write_film(path, seed, rows=ROWS, columns=COLUMNS, mm=MM):
    """Write that film; its stored values."""
    content, stored = film_bytes(seed, rows, columns, mm)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return stored


@pytest.fixture
def make_run(tmp_path, place):
    """``make_run({film: [(side, decision, reasons), ...]})`` writes films and their run; gives the run's folder.

    Reasons are pairs of kind and sentence. A fourth entry of a foot may hold ``confidence`` and ``spread`` (standard
    deviation in pixels) of landmarks, ``withheld`` measures with the reason, and ``shown`` (L or R), as which its
    points lie on the film whatever the run calls it. ``persons`` gives films a person's code and a day.
    """
    measures = protocol().reported_measures()
    gauge = FootGauge(measures, protocol(), decision_settings(), review_settings().hand_placed)

    def said(reasons):
        return tuple(Reason(ReasonKind(kind), text) for kind, text in reasons)

    def foot(side, outcome, reasons, extra, name, rows, columns):
        landmarks = place(extra.get("shown", side))
        landmarks = replace(landmarks, foot=replace(landmarks.foot, side=side))
        for code, confidence in extra.get("confidence", {}).items():
            landmarks.confidence[landmark_schema().index(code)] = confidence
        for code, spread in extra.get("spread", {}).items():
            landmarks.covariance[landmark_schema().index(code)] = spread**2 * np.eye(2)
        if outcome is Outcome.REFUSED:
            nowhere = np.full_like(landmarks.points, np.nan)
            return FootRecord(replace(landmarks, points=nowhere), (), Decision(outcome, said(reasons)))
        facts = FilmFacts(name, "", rows, columns, MM, MM, 1.0, SpacingKind.DETECTOR_PLANE.value, ())
        shown = np.ones(len(landmarks.points), bool)
        placed = PlacedPoints(landmarks.points, shown, ~shown)
        measured = gauge.measure(placed, landmarks.covariance, side, facts, gauge.construction)
        numbers = tuple(
            Measurement(m.measure.name, m.value, m.low, m.high, m.measure.unit, m.measure.construction)
            for m in measured
        )
        why = extra.get("withheld", {})
        nothing = {"value": np.nan, "low": np.nan, "high": np.nan}
        numbers = tuple(replace(m, **nothing, withheld=why[m.measure]) if m.measure in why else m for m in numbers)
        return FootRecord(landmarks, numbers, Decision(outcome, said(reasons)))

    def made(films, out="run", folder="films", rows=ROWS, columns=COLUMNS, persons=None):
        home = tmp_path / folder
        writer = RunWriter(RunFolder(tmp_path / out), landmark_schema(), measures, overlays=False)
        for seed, (name, feet) in enumerate(films.items()):
            write_film(home / name, seed, rows, columns)
            sha256 = hashlib.sha256((home / name).read_bytes()).hexdigest()
            blank = np.broadcast_to(np.float32(0), (rows, columns))
            person, taken = (persons or {}).get(name, ("", ""))
            spacing = Spacing(MM, MM, SpacingKind.DETECTOR_PLANE)
            film = Film(home / name, blank, spacing, sha256=sha256, person=person, taken=taken)
            records = [
                foot(side, Outcome(outcome), reasons, extra[0] if extra else {}, name, rows, columns)
                for side, outcome, reasons, *extra in feet
            ]
            none = None if records else no_foot()
            writer.write(
                FilmRecord(name, tuple(records), none, (Remark(RemarkKind.LOADING_UNKNOWN, "loading unknown"),)), film
            )
        return writer.finish(
            command=["raysplay", "measure"],
            wall_seconds=1.0,
            weights={},
            protocol=shipped("protocol.yaml"),
            films=home,
        )

    return made


def _measure_again(folder, *, shift=None, gone=(), constructions=None):
    """What ``measure --overwrite`` leaves: tables of another run, reads of the earlier one.

    ``shift`` moves every point of a film's feet (pixels, in x); the films of ``gone`` have other content.
    """
    path = folder / "landmarks.parquet"
    table = pq.read_table(path)
    moved = pa.array([(shift or {}).get(film, 0.0) for film in table["film"].to_pylist()])
    pq.write_table(table.set_column(table.schema.get_field_index("x"), "x", pc.add(table["x"], moved)), path)
    about = json.loads((folder / "run.json").read_text())
    about["wall_seconds"] += 1.0
    about["protocol"]["constructions"].update(constructions or {})
    films = list(csv.reader((folder / "films.csv").open(newline="")))
    for row in films[1:]:
        if row[0] in gone:
            row[films[0].index("sha256")] = "f" * 64
    with (folder / "films.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows(films)
    about["tables"] = {name: digest(folder / name) for name in about["tables"]}
    (folder / "run.json").write_text(json.dumps(about))


@pytest.fixture
def measure_again():
    """``measure_again(folder, ...)`` makes another run of the one in a folder, as ``_measure_again`` says."""
    return _measure_again


HARBOUR = {
    "spring/cook.dcm": [("R", "accepted", [])],
    "spring/mate.dcm": [("R", "review", [("side_doubtful", "side doubtful: R at 0.62")]), ("L", "accepted", [])],
    "spring/pilot.dcm": [
        (
            "L",
            "review",
            [
                ("view_doubtful", "view doubtful: dorsoplantar 0.61, oblique 0.39"),
                ("foot_doubtful", "foot doubtful: score 0.41"),
            ],
        )
    ],
    "autumn/hand.dcm": [],
    "autumn/side.dcm": [("R", "refused", [("not_dorsoplantar", "not a dorsoplantar view: looks lateral (0.99)")])],
}
"""Rows of feet.csv: 1 cook R, 2 mate R, 3 mate L, 4 pilot L, 5 hand (no foot), 6 side R (refused)."""


@pytest.fixture
def harbour(make_run):
    return make_run(HARBOUR)


SHAKY = {f"M5{level}_{edge}": 9.0 for level in "pd" for edge in ("med", "lat")}
DOUBTS = {
    "tide/weak.dcm": [
        (
            "L",
            "accepted",
            [("withheld", "withheld: IMA 4-5, for doubtful points")],
            {"confidence": {"M5d_med": 0.3, "M5p_lat": 0.4}, "withheld": {"ima45": Withheld.DOUBTFUL_POINTS}},
        )
    ],
    "tide/wide.dcm": [
        (
            "R",
            "accepted",
            [("withheld", "withheld: IMA 4-5 interval is 13.9 degrees wide, limit 6")],
            {"spread": SHAKY, "withheld": {"ima45": Withheld.WIDE_INTERVAL}},
        )
    ],
}
"""Rows of feet.csv: 1 the left foot whose fifth metatarsal is doubtful, 2 the right one whose interval is too wide."""


@pytest.fixture
def doubts(make_run):
    return make_run(DOUBTS, "doubts", "doubts_films")


@pytest.fixture
def open_desk():
    """``open_desk(folder, ...)`` gives a desk over a run; everything is closed at the end."""
    with contextlib.ExitStack() as stack:

        def opened(folder, *, films=None, store=None, study=None):
            run = FinishedRun(folder)
            reads = ReadStore(store, run.identity) if store else ReadStore.beside(folder, run.identity)
            stack.callback(reads.close)
            settings = review_settings()
            shelf = stack.enter_context(FilmShelf(run, films, settings.films.cache_bytes))
            if study is None:
                return OpenDesk(run, reads, shelf, settings)
            return BlindDesk(run, reads, shelf, settings, Study(study, run, settings.repeat_distance))

        yield opened


_STRICT = ConfigDict(extra="forbid", strict=True)
_FAILURES = {"theirs": "Overtaken", "claim": "InOtherHands"}


@cache
def _adapter(shape):
    # A model by itself takes no configuration; inside a tuple it goes by that of the tuple.
    return TypeAdapter(tuple[shape], config=_STRICT)


def _model(answer):
    """Name and model of what a call answers; None where it is not JSON of the contract."""
    path = answer.request.url.path
    if answer.status_code >= 400:
        name = next((name for key, name in _FAILURES.items() if key in answer.json()), "Refusal")
        return name, getattr(answers, name)
    for call in contract.calls():
        if call.method == answer.request.method and re.fullmatch(call.path.replace("{number}", r"\d+"), path):
            return None if call.gives is None else (contract.name_of(contract.members(call.gives)[0]), call.gives)
    raise AssertionError(f"no call of the contract: {answer.request.method} {path}")


def _checked(answer):
    """Hold an answer against its model; the model's name."""
    if not answer.request.url.path.startswith("/api/"):
        return None
    answer.read()
    if (found := _model(answer)) is None:
        return None
    name, model = found
    try:
        _adapter(model).validate_json(b"[" + answer.content + b"]")
    except ValidationError as error:
        raise AssertionError(f"{answer.request.url.path} is no {name or model}: {error}") from None
    return name


@pytest.fixture
def checked():
    """``checked(answer)`` fails unless an answer of the server has the shape that its model says; the model's name."""
    return _checked


def _wait_until(true):
    """Look again and again whether something holds that another thread or process brings about."""
    deadline = time.monotonic() + 120
    while not true():
        assert time.monotonic() < deadline, "it did not come about"
        time.sleep(0.02)


@pytest.fixture
def wait_until():
    """``wait_until(condition)`` as above; the limit only ends a test that would hang."""
    return _wait_until


def _let_in(client, answer):
    """Keep the key that came with the one-time address, as the page does."""
    assert answer.status_code == 200, answer.text
    (key,) = re.findall('name="session-key" content="([^"]+)"', answer.text)
    client.headers["Authorization"] = f"Bearer {key}"
    return key


class Served:
    """A server in a thread, and browsers that were let in."""

    def __init__(self, desk, reader=None, port=0):
        self.invitations = []
        self.door = Door(reader, self.invitations.append)
        self.server = ReviewServer(desk, self.door, port)
        self.base = f"http://127.0.0.1:{self.server.port}"
        self.thread = threading.Thread(target=self.server.run, daemon=True)
        self.thread.start()
        self.clients = []
        deadline = time.monotonic() + 20
        while True:
            with contextlib.suppress(httpx.TransportError):
                httpx.get(self.base, timeout=5)
                break
            assert time.monotonic() < deadline, "the server does not answer"

    def stranger(self, **headers):
        """A client that was not let in."""
        headers = {"Origin": self.base, **headers}
        client = httpx.Client(base_url=self.base, headers=headers, timeout=30, event_hooks={"response": [_checked]})
        self.clients.append(client)
        return client

    def browser(self, reader=None):
        """A client with a session, its reader's initials stated."""
        client = self.stranger()
        _let_in(client, client.get("/start", params={"token": self.door.token}))
        if reader is not None:
            assert client.post("/api/reader", json={"initials": reader}).status_code == 200
        return client

    def stop(self):
        for client in self.clients:
            client.close()
        self.server.stop()
        self.thread.join(20)


@pytest.fixture
def let_in():
    """``let_in(client, answer)`` as above, for a server that is started otherwise."""
    return _let_in


@pytest.fixture
def serve(open_desk):
    """``serve(folder, ...)`` runs the server over a run."""
    running = []

    def served(folder, *, reader=None, connections=None, **options):
        desk = open_desk(folder, **options)
        if connections:
            changed = desk.settings.connections.model_copy(update=connections)
            desk.settings = desk.settings.model_copy(update={"connections": changed})
        running.append(Served(desk, reader))
        return running[-1]

    yield served
    for one in running:
        one.stop()


@pytest.fixture
def page(serve, harbour):
    """A browser of reader AB before the harbour run."""
    return serve(harbour).browser("AB")


@pytest.fixture
def films_folder(tmp_path) -> Path:
    return tmp_path / "films"
