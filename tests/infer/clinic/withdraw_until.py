"""Takes a film off a desk in a process of its own that ends, as if killed, at the Nth touch of a file or database.

``python withdraw_until.py DESK FILM N``; it prints how many touches there were if it came to its end.
"""

import os
import sys
from pathlib import Path

from raysplay.infer.clinic.clinic import Clinic
from raysplay.infer.clinic.desk_folder import DeskFolder

TOUCHES = {"os.remove", "os.rename", "os.rmdir", "sqlite3.connect/handle", "sqlite3.connect", "shutil.rmtree"}


def main(folder: str, film: int, end: int) -> None:
    clinic = Clinic(DeskFolder(Path(folder)), loader="standin:known")
    papers = [one.id for one in clinic.papers_of(film)]
    seen = 0

    def count(event: str, args: tuple) -> None:
        nonlocal seen
        writes = event == "open" and isinstance(args[1], str) and set(args[1]) & set("wax+")
        if not (writes or event in TOUCHES):
            return
        seen += 1
        if seen == end:
            os._exit(9)

    sys.addaudithook(count)
    clinic.withdraw(film, "AB", "private", papers, delete_papers=True)
    print(seen, flush=True)
    os._exit(0)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
