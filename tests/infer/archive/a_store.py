"""A store of objects for tests: a folder behind an interface of fsspec, with faults; ``a_store:known`` registers it.

It keeps a list of what was fetched. Names of objects say what goes wrong with them.
"""

import hashlib
import os
import time
from pathlib import Path

import fsspec
from fsspec import AbstractFileSystem
from known_foot import Known


class Store(AbstractFileSystem):
    protocol = "skerry"
    cachable = False

    @property
    def root(self):
        return Path(os.environ["SKERRY_ROOT"])

    def ls(self, path, detail=True, **kwargs):
        place = self.root / self._strip_protocol(path)
        if (self.root / ".down").exists():
            raise ConnectionError("key=hunter2")
        if "closed" in place.name:
            raise PermissionError(path)
        if not place.exists():
            raise FileNotFoundError(path)
        entries = [place] if place.is_file() else sorted(place.iterdir(), reverse=True)
        found = [self._about(one) for one in entries]
        return found if detail else [one["name"] for one in found]

    def _about(self, place):
        about = {"name": place.relative_to(self.root).as_posix(), "size": 0, "type": "directory"}
        if place.is_file():
            content = place.read_bytes()
            about |= {"size": len(content), "type": "file"}
            if "unmarked" not in place.name:
                about["ETag"] = hashlib.md5(content).hexdigest()
        return about

    def cat_file(self, path, start=None, end=None, **kwargs):
        place = self.root / self._strip_protocol(path)
        if "stalls" in place.name:
            time.sleep(600)
        if "lost" in place.name:
            place.unlink()
        if "fails" in place.name:
            raise ConnectionError("key=hunter2")
        with (self.root / ".fetched").open("a") as log:
            log.write(f"{place.name}\n")
        content = place.read_bytes()
        if "grows" in place.name:
            place.write_bytes(content + b"\0")
        return content[start:end]


def known(threads=None, landmark_weights=None):
    return Known()


fsspec.register_implementation("skerry", Store, clobber=True)
