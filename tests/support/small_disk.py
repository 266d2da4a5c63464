"""A real file system that is soon full."""

import contextlib
import subprocess
from collections.abc import Iterator
from pathlib import Path


@contextlib.contextmanager
def small_disk(path: Path, size: str) -> Iterator[Path]:
    """Mount a tmpfs of ``size`` (``256k``, ``8m``) at ``path``; needs root."""
    path.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", path], check=True)
    try:
        yield path
    finally:
        subprocess.run(["umount", "--lazy", path], check=True)
