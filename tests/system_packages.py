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
}
"""Program the tests start: the Debian packages that bring it."""
NODE = Path(__file__).parent / "emitters"
"""Where ``package.json`` pins the MicroPython that runs under Node."""


def main() -> int:
    """Return 0 when every program and the MicroPython is present at the end."""
    return install_debian() or install_micropython()


def install_micropython() -> int:
    """Return 0 when the MicroPython of ``package.json`` is present at the end."""
    for name, version in json.loads((NODE / "package.json").read_text())["dependencies"].items():
        there = NODE / "node_modules" / name / "package.json"
        if there.exists() and json.loads(there.read_text())["version"] == version:
            continue
        install = ["npm", "install", "--no-package-lock", "--ignore-scripts", "--no-audit"]
        if subprocess.run([*install, "--no-fund", "--loglevel=error"], cwd=NODE).returncode != 0:
            print(f"the tests need {name}; run in {NODE}: {' '.join(install)}", file=sys.stderr)
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
