"""Whether what our packages show to others is typed and described: ``python tests/typed/run.py``.

Runs ``pyright --verifytypes`` (pinned in ``package.json``, installed by
``tests/system_packages.py``) on both packages as somebody else's program sees them, and fails for
every name of the analyser or of the format package whose type it cannot tell.  The logger's other
rooms are its own affair, and mypy's.
"""

import json
import os
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGES = {"sagline_logger": "logger", "sagline_analyser": "analyser"}
SHOWN = ("sagline_logger/format/", "sagline_logger/__init__", "sagline_analyser/")
"""Where the names stand that others may use."""
PYRIGHT = Path(__file__).parent / "node_modules" / "pyright" / "index.js"


def problems(package: str, environment: Path) -> list[str]:
    """Return what pyright finds wrong with what ``package`` shows."""
    words = ["node", str(PYRIGHT), "--verifytypes", package, "--ignoreexternal", "--outputjson"]
    path = f"{environment / 'bin'}{os.pathsep}{os.environ['PATH']}"
    known = {**os.environ, "PATH": path, "VIRTUAL_ENV": str(environment)}
    done = subprocess.run(words, capture_output=True, text=True, env=known, cwd=environment)
    found = json.loads(done.stdout)["typeCompleteness"]
    assert found["pyTypedPath"], f"{package} does not say that it is typed"
    return [
        f"{one['file']}: {one['message']}"
        for symbol in found["symbols"]
        for one in symbol["diagnostics"]
        if one["severity"] == "error" and any(room in one["file"] for room in SHOWN)
    ] or ([] if found["symbols"] else [f"{package} shows nothing"])


def main() -> int:
    """Print what is wrong; 0 when nothing is."""
    wrong = []
    with tempfile.TemporaryDirectory() as folder:
        environment = Path(folder).resolve()
        venv.create(environment)
        (there,) = environment.glob("lib/python*/site-packages")
        for package, room in PACKAGES.items():
            (there / package).symlink_to(ROOT / room / package)
        others = [place for place in sys.path if place.endswith("site-packages")]
        (there / "others.pth").write_text("\n".join(others) + "\n")
        for package in PACKAGES:
            wrong += problems(package, environment)
    print("\n".join(sorted(set(wrong))) or "every name shown to others has a known type")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
