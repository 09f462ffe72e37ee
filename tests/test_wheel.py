"""The wheel carries its queries, templates, fonts and rule packs, and works away from the checkout."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

from tests.program import EXAMPLE, TOP, Answer

SOURCES = ("ampelog", "queries", "templates", "pyproject.toml", "README.md")
PIP = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
SHIPPED = {
    "queries": "*.sql",
    "templates": "*",
    "ampelog/rulepacks": "*",
    "ampelog/cellar_facts": "*",
}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy of the sources that is gone again."""
    folder = tmp_path_factory.mktemp("wheel")
    copy = folder / "source"
    for name in SOURCES:
        if (TOP / name).is_dir():
            shutil.copytree(TOP / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            copy.mkdir(exist_ok=True)
            shutil.copy(TOP / name, copy / name)
    # Without the build's own package here, pip fetches it.
    here = ["--no-build-isolation"] if importlib.util.find_spec("hatchling") else []
    subprocess.run([*PIP, "wheel", "--no-deps", *here, "-w", folder, copy], check=True)
    shutil.rmtree(copy)
    (built,) = folder.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fresh environment with the wheel in it, which finds the other packages here."""
    home = tmp_path_factory.mktemp("installed")
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", home], check=True)
    python = home / "bin" / "python"
    subprocess.run([*PIP, "--python", python, "install", "--no-deps", wheel], check=True)
    (packages,) = home.glob("lib/python*/site-packages")
    (packages / "others.pth").write_text(sysconfig.get_paths()["purelib"] + "\n")
    return home


def files_of(folder: str, pattern: str) -> set[str]:
    """The files of a folder of the checkout, as a wheel names them."""
    top = folder.removeprefix("ampelog/")
    found = (path for path in (TOP / folder).rglob(pattern) if path.is_file())
    return {f"ampelog/{top}/{path.relative_to(TOP / folder).as_posix()}" for path in found}


@pytest.mark.xdist_group("wheel")
@pytest.mark.parametrize("folder", SHIPPED)
def test_the_wheel_has_every_file_that_is_read(wheel: Path, folder: str) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    wanted = files_of(folder, SHIPPED[folder])
    assert len(wanted) > 1
    assert wanted <= names
    assert {one for one in wanted if one.endswith((".sql", ".toml", ".html", ".css", ".woff2"))}


@pytest.mark.xdist_group("wheel")
def test_the_wheel_has_no_tests_and_no_example(wheel: Path) -> None:
    tops = {name.partition("/")[0] for name in zipfile.ZipFile(wheel).namelist()}
    assert {top.partition("-")[0] for top in tops} == {"ampelog"}


@pytest.mark.xdist_group("wheel")
def test_the_wheel_works_away_from_the_checkout(installed: Path, tmp_path: Path) -> None:
    def run(*words: str) -> Answer:
        kept = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
        done = subprocess.run(
            [installed / "bin" / "ampelog", *words],
            cwd=tmp_path,
            env={**kept, "AMPELOG_LEDGER": "cellar.duckdb"},
            capture_output=True,
            text=True,
            check=False,
        )
        return Answer(done.returncode, done.stdout, done.stderr)

    code = "import ampelog.resources as r; print(r.PACKAGE); print(r.folder('queries'))"
    where = subprocess.run(
        [installed / "bin" / "python", "-c", code],
        cwd=tmp_path,
        env={name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split()
    assert all(Path(one).is_relative_to(installed.resolve()) for one in where), where
    home = ("--premises", "Quernmoor Cellar", "--timezone", "America/Los_Angeles")
    begun = run("init", *home)
    assert begun.code == 0, begun.err
    loaded = run("load", *map(str, EXAMPLE), "--json")
    events = sum(len(file.read_text("utf-8").splitlines()) for file in EXAMPLE)
    assert (loaded.code, loaded.json["recorded"]) == (0, events), loaded.err
    assert run("verify").code == 0
    judged = run("claims", "STL24", "--json")
    assert (judged.code, judged.json["verdict"]) == (0, "supported"), judged.err
    assert run("claims", "BSY23").code == 1
    written = run("dossier", "STL24", "-o", "STL24.pdf", "--json")
    assert written.code == 0, written.err
    pdf = (tmp_path / "STL24.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    assert written.json["pages"] > 1
    import pikepdf

    with pikepdf.open(tmp_path / "STL24.pdf") as opened:
        fonts = {
            str(font.get("/BaseFont"))
            for page in opened.pages
            for font in page.resources.get("/Font", {}).values()
        }
    assert any("Source" in name for name in fonts), "the shipped fonts, from the wheel"
