"""Films as objects of a store, by an address (RFC 3986) that fsspec knows: listed, marked and fetched.

As a path an address has lost a slash, ``s3:/bucket/films/1.dcm``, and is relative; so it goes wherever a path goes and
leads nowhere on the disk. What a store says of an error may hold names and keys: only the kind of an error is repeated.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import queue
import re
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.parse import unquote, urlsplit
from urllib.request import url2pathname

from raysplay.infer.films.candidate import Candidate
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.film_identity import Stamp
from raysplay.infer.films.inside import films_inside
from raysplay.infer.films.litter import holds_no_film, is_litter_folder, is_litter_name
from raysplay.infer.films.settings import FilmLimits, film_settings
from raysplay.infer.films.sniff import HEAD_BYTES
from raysplay.infer.reason import ReasonKind

if TYPE_CHECKING:
    from fsspec import AbstractFileSystem

_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:/")
"""RFC 3986, 3.1, and one slash: paths have no two that follow one another. A drive has one letter."""
_MARKS = (
    *("ETag", "etag", "e_tag", "md5Hash", "content_md5", "Content-MD5"),
    *("LastModified", "last_modified", "Last-Modified", "updated", "mtime", "modified"),
)
"""Under these names file systems of fsspec tell what changes with an object; from memory of theirs."""
_HTTP = ("http", "https")
_T = TypeVar("_T")


class StoreError(Exception):
    """A store that does not answer, in time or at all."""


@dataclass(frozen=True)
class Listing:
    """Objects below an address by name, and how many of the operating system were passed over."""

    candidates: list[Candidate]
    litter: int


def is_address(path: Path) -> bool:
    """Whether a path is an address, and not that of a file."""
    return not path.is_absolute() and bool(_SCHEME.match(str(path))) and not os.path.lexists(path)


def address_of(path: Path) -> str:
    """The address that a path was."""
    scheme, rest = str(path).split(":/", 1)
    return f"{scheme}://{rest}"


def as_given(path: Path) -> Path:
    """A path as it is; that of a ``file:`` address (RFC 8089) on this machine."""
    if is_address(path) and str(path).startswith("file:/"):
        return Path("/" + url2pathname(str(path)[len("file:/") :]))
    return path


def listing(path: Path, seconds: float) -> Listing:
    """Every object below an address, or the one that it names; names are relative to it, as in a folder.

    Parameters
    ----------
    path : Path
        The address.
    seconds : float
        For the store to list them in.

    Raises
    ------
    FileNotFoundError
        If nothing lies there, the store does not answer or cannot be used, or the address holds a password. The message
        says which, and never repeats a password.
    """
    url = address_of(path)
    parts = urlsplit(url)
    shown = f"{parts.scheme}://{parts.hostname or ''}"
    if ":" in parts.netloc.rpartition("@")[0] or parts.query or parts.fragment:
        raise FileNotFoundError(
            f"{shown}: an address with a password, a question mark or a number sign, which may hold secrets, is "
            "not used; keep keys where the store's own library looks for them"
        )
    if parts.scheme == "memory":
        raise FileNotFoundError(f"{url}: lies in the memory of one process, and others read films")
    try:
        found = _in_time(lambda: _found(url), seconds)
    except ModuleNotFoundError as error:
        raise FileNotFoundError(
            f"{url}: addresses need fsspec (pip install 'raysplay[addresses]') and the library of the store: "
            f"{error.name or 'it'} is not installed"
        ) from None
    except ImportError:
        raise FileNotFoundError(f"{url}: fsspec lacks the library of this kind of store; install it") from None
    except ValueError:
        raise FileNotFoundError(f"{url}: no kind of store that fsspec knows, or no address of one") from None
    except FileNotFoundError:
        raise FileNotFoundError(f"{url}: no object lies there") from None
    except (StoreError, OSError) as error:
        raise FileNotFoundError(f"{url}: the store cannot be listed ({_said(error)})") from None
    if not found:
        raise FileNotFoundError(f"{url}: no object lies there")
    base, http = url.rstrip("/"), parts.scheme in _HTTP
    candidates, litter = [], 0
    seen: set[str] = set()
    for where, about in found.items():
        below = where[len(base) + 1 :] if where != base else base.rsplit("/", 1)[1]
        name = unquote(below) if http and "%2f" not in below.lower() else below
        if name in seen:
            name = below
        seen.add(name)
        folders = name.split("/")
        if any(is_litter_folder(folder) for folder in folders[:-1]) or _is_litter(where, folders[-1], seconds):
            litter += 1
            continue
        problem = None
        if address_of(Path(where.replace("://", ":/", 1))) != where or any(one in ("", ".", "..") for one in folders):
            problem = FilmRejected("an object whose name is no path: rename it", ReasonKind.OTHER_FILE)
        candidates.append(Candidate(Path(where.replace("://", ":/", 1)), name, problem, marks=_stamp(about)))
    return Listing(sorted(candidates, key=lambda one: one.name.split("/")), litter)


def object_digest(path: Path, seconds: float) -> str:
    """SHA-256 of an object, in hexadecimal; empty if it does not come in time."""
    try:
        return _in_time(lambda: hashlib.sha256(_bytes(path, film_settings())[0]).hexdigest(), seconds)
    except (StoreError, FilmRejected):
        return ""


def fetched(path: Path, file: Path, limits: FilmLimits) -> FilmRejected | None:
    """Fetch an object into a file that only its owner can read; why it is no film, where that shows at once.

    Raises
    ------
    StoreError
        If the store does not give it, or it cannot be kept here.
    """
    try:
        content, same = _bytes(path, limits)
    except FilmRejected as rejected:
        return rejected
    if not same:
        return FilmRejected("the object was changed while it was read", ReasonKind.CHANGED)
    try:
        with os.fdopen(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as stream:
            stream.write(content)
    except OSError as error:
        raise StoreError(f"no room for it here ({error.strerror})") from None
    first = next(films_inside(Candidate(file, file.name), limits), None)
    if first is None or first.path != file or first.problem is not None:
        said = "a ZIP archive, a DICOMDIR or an object of several frames, which is not opened at an address: copy it "
        return FilmRejected(f"{said}into a folder and measure that", ReasonKind.CONTAINER)
    return None


@lru_cache(maxsize=8)
def _store(root: str) -> AbstractFileSystem:
    import fsspec

    store: AbstractFileSystem = fsspec.core.url_to_fs(root)[0]
    return store


def _opened(url: str) -> tuple[AbstractFileSystem, str]:
    parts = urlsplit(url)
    store = _store(f"{parts.scheme}://{parts.netloc}/")
    return store, str(store._strip_protocol(url))


def _found(url: str) -> dict[str, dict[str, Any]]:
    """Objects by their address, with what the store states of each."""
    store, place = _opened(url)
    store.invalidate_cache()
    # A server's page of links stands for a folder; HTTP knows no other.
    page = urlsplit(url).scheme in _HTTP and "html" in str(store.info(place).get("mimetype", ""))
    whole = f"{place.rstrip('/')}/" if page else place
    if urlsplit(url).scheme in _HTTP and not page:
        return {url: store.info(place)}
    found = store.find(whole, withdirs=False, detail=True) if _finds(store) else dict(_below(store, whole))
    objects = {}
    for name, about in found.items():
        base = place.rstrip("/")
        where = url.rstrip("/") + name[len(base) :]
        # A page may link anywhere; nothing there is asked for.
        if not name.endswith("/") and (name == base or name.startswith(f"{base}/")):
            with contextlib.suppress(FileNotFoundError):  # removed meanwhile
                objects[where] = about if _mark(about) else store.info(name)
    return objects


def _finds(store: AbstractFileSystem) -> bool:
    """Whether a store lists all by itself, and does not fall back on the walk of fsspec.

    That one leaves out a folder that cannot be listed, and films in it would be marked as gone.
    """
    from fsspec import AbstractFileSystem
    from fsspec.asyn import AsyncFileSystem

    kind = type(store)
    if issubclass(kind, AsyncFileSystem):
        return kind._find is not AsyncFileSystem._find
    return kind.find is not AbstractFileSystem.find


def _below(store: AbstractFileSystem, place: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for about in store.ls(place, detail=True):
        name = str(about["name"])
        if name.rstrip("/") == place.rstrip("/") and about["type"] == "directory":
            continue
        if about["type"] != "directory":
            yield name, about
        elif name.startswith(f"{place.rstrip('/')}/"):  # a page may link anywhere, above itself, too
            yield from _below(store, name)


def _bytes(path: Path, limits: FilmLimits) -> tuple[bytes, bool]:
    """An object's bytes, and whether the store states the same of it before and after."""
    url = address_of(path)
    try:
        store, place = _opened(url)
        before = _fresh(store, place)
        size = before.get("size")
        if size is None:
            with store.open(place, "rb") as stream:
                content = bytes(stream.read(limits.max_file_bytes + 1))
        else:
            _check_size(int(size), limits)
            content = bytes(store.cat_file(place)) if size else b""
        after = _fresh(store, place)
    except FileNotFoundError:
        raise FilmRejected(
            "the file cannot be read: it is not there (moved, removed, or never was)", ReasonKind.MISSING
        ) from None
    except PermissionError:
        raise FilmRejected("the file cannot be read (Permission denied)") from None
    except FilmRejected:
        raise
    except Exception as error:  # every library of a store has errors of its own
        raise StoreError(_said(error)) from None
    _check_size(len(content), limits)
    return content, _mark(before) == _mark(after) and size in (None, len(content)) and after.get("size") == size


def _fresh(store: AbstractFileSystem, place: str) -> dict[str, Any]:
    store.invalidate_cache()
    about: dict[str, Any] = store.info(place)
    return about


def _check_size(size: int, limits: FilmLimits) -> None:
    if size > limits.max_file_bytes:
        raise FilmRejected(f"too large: {size} bytes, the limit is {limits.max_file_bytes}")


def _is_litter(url: str, name: str, seconds: float) -> bool:
    """Whether an object has a name that systems give, and holds no film all the same."""
    if not is_litter_name(name):
        return False

    def head() -> bytes:
        store, place = _opened(url)
        return bytes(store.cat_file(place, start=0, end=HEAD_BYTES))

    try:
        return holds_no_film(name, _in_time(head, seconds)[:HEAD_BYTES])
    except (StoreError, OSError):
        return False  # its row says why


def _mark(about: dict[str, Any]) -> str:
    """What changes with an object, as the store states it; empty if it states nothing."""
    return "\0".join(f"{name}={about[name]}" for name in _MARKS if about.get(name) is not None)


def _stamp(about: dict[str, Any]) -> Stamp:
    """Size and mark; of an object without a mark one that no other is equal to, so that its bytes are compared."""
    mark, size = _mark(about), int(about.get("size") or 0)
    if not mark:
        return Stamp(size, time.time_ns(), 0)
    return Stamp(size, 0, int.from_bytes(hashlib.sha256(mark.encode("utf-8", "replace")).digest()[:8]) >> 1)


def _in_time(call: Callable[[], _T], seconds: float) -> _T:
    """What a call gives; a store that stalls keeps a thread, not the command.

    Raises
    ------
    StoreError
        If it takes longer, or fails in a way of the store's own.
    """
    answers: queue.SimpleQueue[tuple[_T | None, Exception | None]] = queue.SimpleQueue()

    def ask() -> None:
        try:
            answers.put((call(), None))
        except Exception as error:
            answers.put((None, error))

    threading.Thread(target=ask, daemon=True).start()
    try:
        answer, error = answers.get(timeout=seconds)
    except queue.Empty:
        raise StoreError(f"no answer within {seconds:g} seconds") from None
    if error is None:
        return answer  # type: ignore[return-value]
    if isinstance(error, FilmRejected | OSError | ValueError | ImportError | StoreError):
        raise error
    raise StoreError(type(error).__name__) from None


def _said(error: Exception) -> str:
    return str(error) if isinstance(error, StoreError) else type(error).__name__


def only_address(given: Iterable[Path]) -> Path | None:
    """The address among the inputs; None if there is none.

    Raises
    ------
    FileNotFoundError
        If there is something beside it.
    """
    paths = list(given)
    addresses = [path for path in paths if is_address(path)]
    if addresses and len(paths) > 1:
        raise FileNotFoundError("an address is measured by itself: name one, and nothing beside it")
    return addresses[0] if addresses else None
