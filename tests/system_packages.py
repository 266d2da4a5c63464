"""Install the Debian packages that the tests drive for real, or say how.

Run as ``python tests/system_packages.py`` before pytest; does nothing where all are present.
"""

import os
import shutil
import subprocess
import sys

PROGRAMS = {
    "chromium": "chromium",
    "chromedriver": "chromium-driver",
    "dbus-daemon": "dbus",
    "systemd-analyze": "systemd",
}
"""Program the tests start: the Debian package that brings it."""


def main() -> int:
    """Return 0 when every program is present at the end."""
    packages = [package for program, package in PROGRAMS.items() if shutil.which(program) is None]
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
