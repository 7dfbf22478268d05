"""What a configuration file may be, and how its errors are told.

Sources: pydantic's own list of its errors (``list_all_errors``); the "billion laughs" of aliases and deep
nesting (OWASP, XML and YAML denial of service); POSIX pipes and devices. No text of a library reaches a user: the
project's own rule.
"""

import os
import subprocess
import sys

import pydantic_core
import pytest
import yaml
from pydantic_core._pydantic_core import list_all_errors

from raysplay.configs.load import CONFIG_DIR, Config, ConfigError, load
from raysplay.configs.plain_file import read_plain
from raysplay.configs.plain_words import in_words, told
from raysplay.configs.plain_yaml import parse
from raysplay.configs.protocol import read_protocol

LAUGHS = "a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{name}: &{name} [{', '.join(9 * [f'*{before}'])}]\n" for before, name in zip("abcdefgh", "bcdefghi", strict=True)
)


KINDS = {one["type"]: one for one in list_all_errors()}


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_no_message_of_the_validation_library_is_repeated(kind):
    """Every error that pydantic knows, also those that no model of this project can have today."""
    known = KINDS[kind]
    example = known.get("example_context") or {}
    words = in_words({"type": kind, "loc": (), "msg": known["example_message_python"], "ctx": example})
    assert words
    assert words not in known["example_message_python"]
    for phrase in ("Input should", "input", "valid ", "Extra", "permitted", "Field required", "error"):
        assert phrase not in words, words


def test_what_a_validator_of_the_project_says_is_repeated():
    def refused(said):
        return in_words({"type": "value_error", "loc": (), "msg": "Value error, x", "ctx": {"error": said}})

    assert refused(ValueError("a reader stands twice")) == "a reader stands twice"
    assert "codec" not in refused(UnicodeDecodeError("utf-8", b"", 0, 1, "codec"))


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("reported: [hva]\nsurprise: 1", "surprise: is not known here"),
        ("reported: hva", "reported: must be a list"),
        ("reported: []", "reported: must have at least 1 entry"),
        ("reported: [1]", "reported.0: must be text"),
        ("construction: {a: 1}", "construction: must be text"),
        ("construction: fancy", "construction: no construction 'fancy'"),
        ("exceptions: [hva]", "exceptions: must hold keys and values"),
        (
            "spacing: {unknown: {millimetres: perhaps, statement: x}}",
            "spacing.unknown.millimetres: must be true or false",
        ),
        ("change: {level: {value: .nan, source: x, tag: S}}", "change.level.value: must be greater than 0.0"),
        ("change: {level: {value: 1, source: x, tag: Z}}", "change.level.tag: must be 'S', 'M', 'D' or 'P'"),
        ("[1, 2]", "must hold keys and values"),
        ("", "is empty"),
        ("reported: [hva]\nreported: [ima]", "the key reported stands twice (line 2, column 1)"),
        ("reported: [hva", "not valid YAML (line 1"),
        ("a: !!python/object/apply:os.system ['true']", "not valid YAML (line 1, column 4)"),
        ("a: 2001-13-45", "a value in it is impossible"),
        ("a: " + "9" * 5000, "a value in it is impossible"),
        ("? {a: b}\n: c", "not valid YAML"),
        ("a: \x01", "not valid YAML"),
        ("[" * 5000, "nested deeper than 40 levels"),
        ("\n".join(" " * i + f"a{i}:" for i in range(200)), "nested deeper than 40 levels"),
        (LAUGHS, "an alias (*name) is not taken here"),
        ("a: &a [*a]", "an alias (*name) is not taken here"),
    ],
)
def test_a_wrong_file_is_told_by_file_place_and_what_is_expected(tmp_path, content, said):
    path = tmp_path / "protocol.yaml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(ConfigError) as refused:
        read_protocol(path)
    message = str(refused.value)
    assert message.startswith(f"{path}: ")
    assert said in message
    for phrase in ("Input should", "Extra inputs", "while ", "site-packages", "https://", "Value error"):
        assert phrase not in message


def test_a_small_file_that_grows_is_refused_at_once(tmp_path):
    """Nine levels of nine: half a thousand million entries in as many bytes as this line has."""
    path = tmp_path / "laughs.yaml"
    path.write_text(LAUGHS)
    code = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_CPU, (20, 20));"
        "from raysplay.configs.protocol import read_protocol; from raysplay.configs.load import ConfigError\n"
        "try:\n    read_protocol(sys.argv[1])\nexcept ConfigError:\n    sys.exit(3)"
    )
    assert subprocess.run([sys.executable, "-c", code, path], check=False).returncode == 3


@pytest.mark.parametrize(
    "kind", ["pipe", "device", "folder", "huge", "missing", "long name", "null byte", "link to a pipe"]
)
def test_only_regular_files_of_a_sensible_size_are_opened(tmp_path, kind):
    path = tmp_path / "protocol.yaml"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path = type(path)("/dev/zero")
    elif kind == "folder":
        path.mkdir()
    elif kind == "huge":
        with path.open("wb") as stream:
            stream.truncate(2**31)  # sparse: takes no room
    elif kind == "long name":
        path = tmp_path / ("x" * 5000)
    elif kind == "null byte":
        path = tmp_path / "a\0b"
    elif kind == "link to a pipe":
        os.mkfifo(tmp_path / "pipe")
        path.symlink_to(tmp_path / "pipe")
    with pytest.raises(ConfigError, match="cannot be read"):
        read_protocol(path)
    with pytest.raises(OSError, match=r".") as refused:
        read_plain(path, 1000)
    assert refused.value.strerror


def test_a_file_that_grows_while_it_is_read_stays_bounded(tmp_path, monkeypatch):
    path = tmp_path / "file"
    path.write_bytes(b"x" * 2000)
    from raysplay.configs import plain_file

    monkeypatch.setattr(plain_file, "_check", lambda about, most: None)
    with pytest.raises(OSError, match="larger than 1000 bytes"):
        read_plain(path, 1000)


def test_every_shipped_file_is_of_the_plain_kind():
    files = sorted(CONFIG_DIR.glob("*.yaml"))
    assert len(files) > 10
    for file in files:
        text = file.read_text(encoding="utf-8")
        assert parse(text) == yaml.safe_load(text), file.name


def test_the_first_of_several_errors_is_told():
    class Boat(Config):
        name: str
        length: float

    with pytest.raises(pydantic_core.ValidationError) as refused:
        Boat.model_validate({"length": "long"})
    assert told(refused.value.errors()) == "name: is missing"


def test_a_key_is_not_repeated_at_length(tmp_path):
    path = tmp_path / "protocol.yaml"
    path.write_text(f"{'k' * 900}: 1", encoding="utf-8")
    with pytest.raises(ConfigError) as refused:
        load(Config, path)
    assert len(str(refused.value)) < len(str(path)) + 120
