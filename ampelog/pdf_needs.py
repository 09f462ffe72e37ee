"""Checks the system libraries that PDF needs; installs them where it may, names them otherwise.

Run by ``make setup``. WeasyPrint draws text with Pango, which comes from the system.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

DEBIAN = ("libpango-1.0-0", "libpangoft2-1.0-0", "libharfbuzz-subset0")


def works() -> bool:
    """Whether a page can be drawn."""
    try:
        from weasyprint import HTML

        HTML(string="<p>x").render()
    except (OSError, ImportError):
        return False
    return shutil.which("ldconfig") is None or _subset()


def _subset() -> bool:
    from ctypes.util import find_library

    return find_library("harfbuzz-subset") is not None


def main() -> int:
    """Exit code 0 where PDF works or was made to work."""
    if works():
        return 0
    install = ["apt-get", "install", "--yes", "--quiet", *DEBIAN]
    if os.name == "posix" and shutil.which("apt-get") and os.geteuid() == 0:
        sys.stderr.write("installing what PDF needs: " + " ".join(DEBIAN) + "\n")
        subprocess.run(["apt-get", "update", "--quiet"], check=False, stdout=subprocess.DEVNULL)
        subprocess.run(install, check=False, stdout=subprocess.DEVNULL)
        probe = [sys.executable, "-c", "from ampelog.pdf_needs import works; exit(not works())"]
        if subprocess.run(probe, check=False).returncode == 0:
            return 0
    sys.stderr.write(
        "dossiers need system libraries that are missing. On Debian and Ubuntu:\n"
        f"  sudo {' '.join(install)}\nthen run this again.\n"
    )
    return 1


if __name__ == "__main__":
    raise SystemExit(main())
