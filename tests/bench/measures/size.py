"""(i) How large the program and its package are."""

import glob
import os
import shutil
import subprocess
import tempfile

ROOT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__)))))


def stripped(build, folder):
    path = os.path.join(folder, "stripped")
    subprocess.run(["strip", "-o", path, os.path.join(build, "dosewright")], check=True)
    return os.path.getsize(path)


def package(folder):
    """Bytes of the newest commit's package; None where it can't be built."""
    if not shutil.which("dh"):
        return None
    command = ["sh", os.path.join(ROOT, "systemd", "debian", "build"), "--out", folder]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    found = [p for p in glob.glob(os.path.join(folder, "*.deb")) if "dbgsym" not in p]
    return os.path.getsize(found[0]) if found else None


def measure(build, table):
    folder = tempfile.mkdtemp(prefix="dosewright-bench-")
    try:
        table.add("program, stripped", stripped(build, folder) / 1024, "KiB", bar=500)
        size = package(folder)
        if size:
            table.add("Debian package", size / 1024, "KiB", bar=300)
        else:
            print("  the package isn't built: there is no debhelper here")
    finally:
        shutil.rmtree(folder)


MEASURES = {"size": ("(i) program and package", measure)}
