"""The wheel carries its queries, templates and rule packs, and works away from the checkout."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parent.parent
SOURCES = ("ampelog", "queries", "templates", "pyproject.toml", "README.md")


@pytest.mark.xdist_group("wheel")
def test_the_wheel_works_away_from_the_checkout(tmp_path: Path) -> None:
    copy = tmp_path / "source"
    copy.mkdir()
    for name in SOURCES:
        source = TOP / name
        if source.is_dir():
            shutil.copytree(source, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, copy / name)
    build = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "-w", str(tmp_path)]
    subprocess.run([*build, str(copy)], check=True)
    (wheel,) = tmp_path.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    for wanted in ("queries/edges.sql", "templates/dossier.html", "rulepacks/us.toml"):
        assert f"ampelog/{wanted}" in names
    assert any(name.startswith("ampelog/templates/fonts/") for name in names)
    away = tmp_path / "away"
    with zipfile.ZipFile(wheel) as file:
        file.extractall(away)
    shutil.rmtree(copy)

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        libraries = sysconfig.get_paths()["purelib"]
        code = (
            "import sys; sys.path[:0] = sys.argv[1:3]; import ampelog; "
            "assert ampelog.__file__.startswith(sys.argv[1]), ampelog.__file__; "
            "from ampelog.cli import main; raise SystemExit(main(sys.argv[3:]))"
        )
        environment = {**os.environ, "AMPELOG_LEDGER": str(tmp_path / "c.duckdb")}
        return subprocess.run(
            [sys.executable, "-S", "-c", code, str(away), libraries, *words],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )

    begun = run("init", "--premises", "Home", "--timezone", "UTC")
    assert begun.returncode == 0, begun.stderr
    files = sorted(str(path) for path in (TOP / "example_vintage").glob("*.jsonl"))
    assert run("load", *files).returncode == 0
    judged = run("claims", "STL24")
    assert (judged.returncode, "supported" in judged.stdout) == (0, True), judged.stderr
    written = run("dossier", "STL24", "-o", "STL24.pdf")
    assert written.returncode == 0, written.stderr
    assert (tmp_path / "STL24.pdf").read_bytes().startswith(b"%PDF")
