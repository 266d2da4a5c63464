"""Run the benchmarks: ``python tests/benchmarks/run.py [NAME ...]``; every one prints ratios."""

import runpy
import sys
from pathlib import Path

HERE = Path(__file__).parent


def main(names: list[str]) -> int:
    """Run the named benchmarks, or all of them."""
    known = sorted(path.stem for path in HERE.glob("*.py") if path.stem != "run")
    if unknown := sorted(set(names) - set(known)):
        print(f"no benchmark {', '.join(unknown)}; there are: {', '.join(known)}", file=sys.stderr)
        return 2
    for name in names or known:
        print(f"== {name}", flush=True)
        sys.argv = [name]
        runpy.run_path(str(HERE / f"{name}.py"), run_name="__main__")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
