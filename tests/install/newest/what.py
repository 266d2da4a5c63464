"""What test_newest_python.py runs on a newer Python than its own: the standard library's part.

Every source file is compiled, and every module loaded that needs no package from elsewhere, with
each warning (of a name or a habit on its way out) an error; then commands are run.  One line of
JSON a result.
"""

import contextlib
import importlib
import io
import json
import pkgutil
import sys
import warnings
from pathlib import Path

PROJECT, FOLDER = Path("/project"), Path("/folder")
COMMANDS = (
    "verify ride.sagline",
    "verify --json ride.sagline",
    "verify --json torn.sagline",
    "channels --json ride.sagline",
    "board --check plan.toml",
    "board --check wrong.toml",
    "verify none.sagline",
    "simulate --help",
)


def main() -> None:
    """Print the version, what failed, and what the commands said."""
    warnings.simplefilter("error")
    sys.path[:0] = [str(PROJECT / "logger"), str(PROJECT / "analyser")]
    import sagline_logger
    from sagline_logger.cli import main as logger

    tell("python", list(sys.version_info[:2]))
    for room in ("logger", "analyser", "protocol_docs/emitters/micropython"):
        for path in sorted((PROJECT / room).rglob("*.py")):
            try:
                compile(path.read_text("utf-8"), str(path), "exec")
            except (SyntaxError, Warning) as problem:
                tell("not compiled", [str(path), repr(problem)])
    loaded = []
    for module in pkgutil.walk_packages(sagline_logger.__path__, "sagline_logger."):
        if module.name.endswith("__main__"):
            continue
        try:
            importlib.import_module(module.name)
            loaded.append(module.name)
        except ModuleNotFoundError as problem:  # a package from elsewhere; ours are all here
            if str(problem.name).startswith("sagline"):
                tell("not loaded", [module.name, repr(problem)])
        except Exception as problem:
            tell("not loaded", [module.name, repr(problem)])
    tell("loaded", loaded)
    for line in COMMANDS:
        out = io.StringIO()
        with (
            contextlib.chdir(FOLDER),
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(out),
        ):
            try:
                status: object = logger(line.split())
            except SystemExit as end:
                status = end.code
        tell(line, [status, out.getvalue()])


def tell(what: str, found: object) -> None:
    """Print one result."""
    print(json.dumps([what, found]), flush=True)


if __name__ == "__main__":
    main()
