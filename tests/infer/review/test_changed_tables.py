"""Tables that are no longer what the run wrote: said in one sentence, and never read as if they were."""

import json

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from raysplay.configs.load import landmark_schema
from raysplay.infer.outputs.finished_run import TABLES_READ, FinishedRun, RunError, read_run
from raysplay.infer.outputs.landmarks_table import LandmarksTable
from raysplay.infer.outputs.table_digests import changed_table


def flip_in_first_page(path):
    """Turn one bit inside the first data page (Apache Parquet, file format: pages follow their headers)."""
    column = pq.ParquetFile(path).metadata.row_group(0).column(4)  # x
    content = bytearray(path.read_bytes())
    content[column.data_page_offset + column.total_compressed_size // 2] ^= 1
    path.write_bytes(content)


def test_pages_of_landmarks_carry_checksums(harbour):
    """Apache Parquet, "Checksumming": CRC32 of each page; pyarrow checks it where asked."""
    path = harbour / "landmarks.parquet"
    flip_in_first_page(path)
    with pytest.raises(OSError, match=r"(?i)crc"):
        pq.read_table(path, page_checksum_verification=True)


def test_a_landmark_that_was_damaged_is_not_shown(harbour):
    run = FinishedRun(harbour)
    assert run.landmarks(0).points.size
    flip_in_first_page(harbour / "landmarks.parquet")
    with pytest.raises(RunError, match=r"landmarks\.parquet: is damaged"):
        FinishedRun(harbour).landmarks(0)


def test_a_number_edited_in_an_office_program_is_found(harbour):
    feet = harbour / "feet.csv"
    assert changed_table(harbour, ["feet.csv"]) == ""
    feet.write_text(feet.read_text().replace("32.0", "22.0", 1))
    assert "was changed after the run" in changed_table(harbour, ["films.csv", "feet.csv"])


@pytest.mark.parametrize("name", TABLES_READ)
def test_a_table_that_the_run_does_not_list_is_not_taken_for_unchanged(harbour, name):
    """Without its line in run.json an edited table would pass for a measured one."""
    about = harbour / "run.json"
    assert changed_table(harbour, TABLES_READ) == ""
    summary = json.loads(about.read_text("utf-8"))
    del summary["tables"][name]
    about.write_text(json.dumps(summary), "utf-8")
    told = changed_table(harbour, TABLES_READ)
    assert told.startswith(f"{harbour / name}: run.json does not list it")
    with pytest.raises(RunError, match="does not list it"):
        read_run(harbour)


def test_a_table_that_is_gone_is_for_the_reader_of_the_run_to_tell(harbour):
    (harbour / "crops.csv").unlink()
    assert changed_table(harbour, TABLES_READ) == ""
    with pytest.raises(RunError, match=r"crops\.csv: cannot be read"):
        read_run(harbour)


def test_a_table_that_cannot_be_finished_is_closed_for_good(tmp_path):
    """Thrown away, pyarrow's writer would try once more, and print what it says."""
    table = LandmarksTable(tmp_path / "l.parquet", landmark_schema())
    table._file.close()
    with pytest.raises((OSError, ValueError, pa.ArrowException)):
        table.close()
    assert not table._writer.is_open
    table.close()
