"""Install the Debian and npm packages that the tests drive for real, or say how.

Run as ``python tests/system_packages.py`` before pytest; does nothing where all are present.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

PROGRAMS = {
    "chromium": "chromium",
    "chromedriver": "chromium-driver",
    "dbus-daemon": "dbus",
    "systemd-analyze": "systemd",
    "gcc": "gcc libc6-dev",
    "g++": "g++",
    "node": "nodejs",
    "npm": "npm",
    "avr-gcc": "gcc-avr avr-libc",
    "simavr": "simavr",
    "arm-none-eabi-gcc": "gcc-arm-none-eabi libnewlib-arm-none-eabi",
    "qemu-system-arm": "qemu-system-arm",
    "arduino-builder": "arduino-builder arduino-core-avr",
    "cmake": "cmake",
}
"""Program the tests start: the Debian packages that bring it."""
NODE = tuple(
    Path(__file__).parent / room for room in ("emitters", "page", "typed", "install/newest")
)
"""Where a ``package.json`` pins what comes from npm: the MicroPython that runs under Node, the
accessibility rules that pages are held against, the type checker of what others may use, and the
newest CPython."""


def main() -> int:
    """Return 0 when every program and every npm package is present at the end."""
    return install_debian() or max(install_npm(folder) for folder in NODE)


def install_npm(folder: Path) -> int:
    """Return 0 when the packages of the folder's ``package.json`` are present at the end."""
    for name, version in json.loads((folder / "package.json").read_text())["dependencies"].items():
        there = folder / "node_modules" / name / "package.json"
        if there.exists() and json.loads(there.read_text())["version"] == version:
            continue
        install = ["npm", "install", "--no-package-lock", "--ignore-scripts", "--no-audit"]
        if subprocess.run([*install, "--no-fund", "--loglevel=error"], cwd=folder).returncode != 0:
            print(f"the tests need {name}; run in {folder}: {' '.join(install)}", file=sys.stderr)
            return 1
    return 0


def install_debian() -> int:
    """Return 0 when every program is present at the end."""
    missing = [packages for program, packages in PROGRAMS.items() if shutil.which(program) is None]
    packages = [package for needed in missing for package in needed.split()]
    if not packages:
        return 0
    install = ["apt-get", "install", "-y", "-q", "--no-install-recommends", *packages]
    by_hand = f"the tests need Debian packages; run: sudo {' '.join(install)}"
    if shutil.which("apt-get") is None:
        print(by_hand, file=sys.stderr)
        return 1
    become_root = [] if os.geteuid() == 0 else ["sudo", "-n"]
    if become_root and shutil.which("sudo") is None:
        print(by_hand, file=sys.stderr)
        return 1
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    for command in (["apt-get", "update", "-q"], install):
        if subprocess.run(become_root + command, env=environment).returncode != 0:
            print(by_hand, file=sys.stderr)
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
