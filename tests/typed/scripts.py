"""Whether the pages' scripts read what Python writes: ``python tests/typed/scripts.py``.

Runs TypeScript's checker (pinned in ``package.json``, installed by ``tests/system_packages.py``) on
each page's scripts, which share one global scope as they do in the page.  The kinds of the data
are the ``TypedDict`` classes that mypy holds the Python side against, written down as TypeScript
before each run, so that there is one list; what the scripts make of them stands in ``*.d.ts`` here.
"""

import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType, NoneType, UnionType
from typing import (
    Any,
    Literal,
    NotRequired,
    Union,
    get_args,
    get_origin,
    get_type_hints,
    is_typeddict,
)

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
CHECKER = HERE / "node_modules" / "typescript" / "bin" / "tsc"
PLAIN: dict[Any, str] = {
    str: "string",
    int: "number",
    float: "number",
    bool: "boolean",
    NoneType: "null",
}


@dataclass(frozen=True)
class Page:
    """A page's scripts, the modules whose typed dictionaries they read, and declarations."""

    scripts: tuple[Path, ...]
    data: tuple[ModuleType, ...] = ()
    declared: tuple[str, ...] = ()


def written(kind: Any) -> str:
    """Return a Python type as TypeScript writes it.

    Raises:
        TypeError: it is of a sort that JSON does not know, or that no page has used so far.
    """
    origin, inner = get_origin(kind), get_args(kind)
    if kind in PLAIN:
        return PLAIN[kind]
    if is_typeddict(kind):
        return str(kind.__name__)
    if origin is Literal:
        return " | ".join(map(json.dumps, inner))
    if origin is NotRequired:
        return written(inner[0])
    if origin is list or (origin is tuple and inner[-1] is Ellipsis):
        return f"({written(inner[0])})[]"
    if origin is tuple:
        return f"[{', '.join(map(written, inner))}]"
    if origin is dict and inner[0] is str:
        return f"Record<string, {written(inner[1])}>"
    if origin in (UnionType, Union):
        return " | ".join(map(written, inner))
    raise TypeError(f"{kind}: no TypeScript for it")


def declared(module: ModuleType) -> str:
    """Return the typed dictionaries that ``module`` defines as TypeScript interfaces."""
    found = []
    for name, kind in vars(module).items():
        if is_typeddict(kind) and kind.__module__ == module.__name__:
            hints = get_type_hints(kind, include_extras=True)
            fields = (
                f"  {key}{'' if key in kind.__required_keys__ else '?'}: {written(hint)};\n"
                for key, hint in hints.items()
            )
            found.append(f"interface {name} {{\n{''.join(fields)}}}\n")
    return "\n".join(found)


def problems(page: Page) -> str:
    """Return what the checker says of a page's scripts, "" when nothing."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "data.d.ts").write_text("".join(map(declared, page.data)), encoding="utf-8")
        options = {
            "allowJs": True,
            "checkJs": True,
            "noEmit": True,
            "strict": True,
            # Names are not asked for a type where the checker finds none: it knows the data's,
            # and follows them.
            "noImplicitAny": False,
            "target": "es2023",
            "lib": ["es2023", "dom", "dom.iterable"],
            "types": [],
        }
        files = [place / "data.d.ts", *(HERE / name for name in page.declared), *page.scripts]
        project = {"compilerOptions": options, "files": [str(file) for file in files]}
        (place / "tsconfig.json").write_text(json.dumps(project), encoding="utf-8")
        words = ["node", str(CHECKER), "--pretty", "false", "-p", str(place)]
        done = subprocess.run(words, capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0 or done.stdout, done.stderr
    return done.stdout


def pages() -> dict[str, Page]:
    """Return every page that has scripts."""
    from sagline_analyser.compare import page as compare_page
    from sagline_analyser.page import document, page_data
    from sagline_analyser.rides import trends
    from sagline_logger.phone import watcher

    analyser, logger = ROOT / "analyser/sagline_analyser", ROOT / "logger/sagline_logger"
    report = tuple(analyser / f"page/script/{name}.js" for name in document.SCRIPTS)
    drawn = ("plotly.d.ts",)
    return {
        "report": Page(report, (page_data,), ("report.d.ts",)),
        "share": Page((analyser / "share/share.js", *report), (page_data,), ("report.d.ts",)),
        "compare": Page((analyser / "compare/compare.js",), (compare_page,), drawn),
        "rides": Page((analyser / "rides/trends.js",), (trends,), drawn),
        "phone": Page((logger / "phone/page/phone.js",), (watcher,)),
    }


def main() -> int:
    """Print what is wrong; 0 when nothing is."""
    found = {name: problems(page) for name, page in pages().items()}
    wrong = "".join(found.values())
    print(wrong or f"the scripts of {', '.join(found)} read what they are handed", end="")
    print()
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
