"""A real file system that is soon full."""

import contextlib
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

# Mounting needs root; elsewhere a sudo that asks for a password fails at once and says so.
BECOME_ROOT = [] if os.geteuid() == 0 else ["sudo", "-n"]


@contextlib.contextmanager
def small_disk(path: Path, size: str) -> Iterator[Path]:
    """Mount a tmpfs of ``size`` (``256k``, ``8m``) at ``path``, owned by whoever runs the tests."""
    path.mkdir()
    options = f"size={size},uid={os.getuid()},gid={os.getgid()}"
    subprocess.run([*BECOME_ROOT, "mount", "-t", "tmpfs", "-o", options, "tmpfs", path], check=True)
    try:
        yield path
    finally:
        subprocess.run([*BECOME_ROOT, "umount", "--lazy", path], check=True)
