"""The emitters packed and taken up by the package tools of PlatformIO and ESP-IDF.

Run before a release: ``python tests/emitters/makers_tools.py``.  It installs ``platformio`` and
``idf-component-manager`` into an environment of its own (too large to be asked of every test run),
packs the folder of the C header with each, looks into what they packed, and lets PlatformIO install
it, packed and as a link.  Neither tool builds here: PlatformIO's platforms, and ESP-IDF itself, are
in registries of their own; what is installed is compiled by the compiler of this system instead.

PlatformIO looks a licence's name up in a list that it fetches; where it cannot, one that knows ours
stands in for it.
"""

import os
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

HEADER = Path(__file__).parents[2] / "protocol_docs" / "emitters" / "c"
PACKAGES = ("platformio", "idf-component-manager")
NEEDED = {"sagline.h", "src/sagline.h", "src/sagline_arduino.h", "CMakeLists.txt"}
PIO = """
import sys
from platformio.package.manifest import schema
real = schema.ManifestSchema.load_spdx_licenses
def licences():
    try:
        return real()
    except Exception:
        return {"licenses": [{"licenseId": "MIT"}]}
schema.ManifestSchema.load_spdx_licenses = staticmethod(licences)
from platformio.__main__ import main
sys.exit(main())
"""
USE = "#include <sagline.h>\nint main(void) { sagline s; (void)s; return 0; }\n"


def main() -> None:
    """Run it."""
    with tempfile.TemporaryDirectory() as name:
        there = Path(name)
        done(sys.executable, "-m", "venv", there / "it")
        python = there / "it" / "bin" / "python"
        done(python, "-m", "pip", "install", "-q", *PACKAGES)
        by_platformio(there, python)
        by_idf(there, python.with_name("compote"))


def by_platformio(there: Path, python: Path) -> None:
    """Pack it, install what was packed, and the folder as a link; compile against it."""
    out = there / "packed"
    out.mkdir()
    pio = (python, "-c", PIO)
    done(*pio, "pkg", "pack", "-o", out, HEADER, home=there)
    (archive,) = out.glob("*.tar.gz")
    looked_into(archive)
    (there / "use.c").write_text(USE)
    for source in (f"file://{archive}", f"symlink://{HEADER}"):
        home = there / source.partition(":")[0]
        done(*pio, "pkg", "install", "-g", "-l", source, home=home)
        listed = done(*pio, "pkg", "list", "-g", "--only-libraries", home=home)
        assert "Sagline" in listed, listed
        print(f"PlatformIO installs it from {source.partition(':')[0]}")
        if source.startswith("file"):
            (src,) = home.glob("platformio/lib/*/src")
            compiler = ("cc", "-std=c99", "-Wall", "-Werror", "-c", "-o", os.devnull)
            done(*compiler, "-I", src, there / "use.c")
            print("and what it installed compiles")


def by_idf(there: Path, compote: Path) -> None:
    """Pack a copy of it: the tool writes beside what it packs."""
    done("cp", "-r", HEADER, there / "component")
    done(compote, "component", "pack", "--name", "sagline", "--project-dir", there / "component")
    (archive,) = (there / "component" / "dist").glob("*.tgz")
    looked_into(archive)


def looked_into(archive: Path) -> None:
    """Check that an archive has what a maker needs and not what only we do."""
    with tarfile.open(archive) as packed:
        names = {name.removeprefix("./") for name in packed.getnames()}
    assert names >= NEEDED, NEEDED - names
    assert "measure.sh" not in names
    assert any(name.endswith(".ino") for name in names)
    print(f"{archive.name}: {len(names)} entries")


def done(*words: object, home: Path | None = None) -> str:
    """Run a tool; what it keeps of its own goes below ``home``."""
    environment = dict(os.environ)
    if home is not None:
        environment |= {
            "PLATFORMIO_CORE_DIR": str(home / "platformio"),
            "PLATFORMIO_SETTING_ENABLE_TELEMETRY": "no",
        }
    result = subprocess.run(
        [str(word) for word in words], capture_output=True, text=True, env=environment, timeout=500
    )
    assert result.returncode == 0, f"{words}\n{result.stdout}{result.stderr}"
    return result.stdout + result.stderr


if __name__ == "__main__":
    main()
