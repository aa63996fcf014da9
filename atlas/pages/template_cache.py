"""Compiled templates, kept beside Python's own compiled files: making them anew takes a build of one field half a
second. Where nothing can be kept, as in an installation that may not be written, they are made each time."""

from __future__ import annotations

import contextlib
import hashlib
from pathlib import Path

import jinja2
from jinja2 import FileSystemBytecodeCache
from jinja2.bccache import Bucket

FOLDER = Path(__file__).parent / "__pycache__"


class TemplateCache(FileSystemBytecodeCache):
    """Jinja's cache, which holds what it keeps to the template's source; the folder may be missing or closed.

    `made_by` is the code that sets Jinja up: with another one nothing kept before counts."""

    def __init__(self, folder: Path, made_by: Path) -> None:
        setting_up = jinja2.__version__.encode() + made_by.read_bytes()
        super().__init__(str(folder), f"template-{hashlib.sha256(setting_up).hexdigest()[:16]}-%s.cache")

    def load_bytecode(self, bucket: Bucket) -> None:
        try:
            super().load_bytecode(bucket)
        except Exception:  # a file that was cut off may raise almost anything; the template is then compiled
            bucket.reset()

    def dump_bytecode(self, bucket: Bucket) -> None:
        with contextlib.suppress(OSError):
            Path(self.directory).mkdir(exist_ok=True)
            super().dump_bytecode(bucket)
