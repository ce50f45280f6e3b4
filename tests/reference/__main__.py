"""``python -m tests.reference`` makes the tables of the reference pages from the settings."""

from __future__ import annotations

import sys

from tests.reference.documents import PAGES, page

if __name__ == "__main__":
    for path in PAGES:
        path.write_text(page(path), encoding="utf-8")
        sys.stdout.write(f"{path} is up to date\n")
