"""Plain SQLite connections to a farm file: short, read-only unless said otherwise, and never left open.

Several builds of SQLite live in this process (Python's own and one in each GDAL), and closing a file in one drops
the locks of the others. So a connection is opened, used and closed at once.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from urllib.parse import quote


def connect_to_read(path: Path) -> sqlite3.Connection:
    """A read-only connection; the caller closes it at once."""
    return sqlite3.connect(f"file:{quote(str(path.absolute()))}?mode=ro", uri=True, timeout=10)


def connect_to_write(path: Path) -> sqlite3.Connection:
    """A connection to a file of our own making that no one else has open; the caller closes it."""
    return sqlite3.connect(path, timeout=10)
