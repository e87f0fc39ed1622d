"""A build is known by its sources, wherever they are installed."""

from __future__ import annotations

import json
import re
import shutil
from importlib import resources
from pathlib import Path

import pytest
from dossiers import make_result

from vidspin import __version__
from vidspin.built import SOURCES, UNKNOWN, build_of, built_version, digest_of, same_build
from vidspin.cli.app import main


def test_the_build_stands_behind_the_version() -> None:
    assert re.fullmatch(re.escape(__version__) + r"\+[0-9a-f]{12}", built_version())


def test_every_change_of_the_sources_makes_another_build(tmp_path: Path) -> None:
    own = Path(str(resources.files("vidspin")))
    kept = shutil.ignore_patterns("__pycache__")
    copy = Path(shutil.copytree(own, tmp_path / "elsewhere", ignore=kept))
    digest = digest_of(own)
    assert digest_of(copy) == digest
    paper = copy / "report" / "assets" / "paper.typ"
    template = paper.read_bytes()
    paper.write_bytes(template.replace(b"\n", b"\r\n"))  # as checked out on another system
    (copy / "alias.pyc").write_bytes(b"made by Python")
    (copy / "alias.py~").write_bytes(b"made by an editor")
    assert digest_of(copy) == digest
    paper.write_bytes(template + b"// more\n")
    assert digest_of(copy) != digest
    paper.write_bytes(template)
    (copy / "units.py").rename(copy / "unities.py")
    assert digest_of(copy) != digest


def test_code_without_its_sources_is_never_taken_for_the_same_build(tmp_path: Path) -> None:
    own = Path(str(resources.files("vidspin")))
    assert built_version().endswith(f"+{build_of(own)}") and build_of(own) != UNKNOWN
    kept = shutil.ignore_patterns("__pycache__", "*.py")
    copy = Path(shutil.copytree(own, tmp_path / "elsewhere", ignore=kept))
    (copy / "alias.pyc").write_bytes(b"made by Python")
    assert build_of(copy) == UNKNOWN
    assert same_build(built_version(), built_version())
    assert not same_build(built_version(), "0.1.0")
    assert not same_build(f"0.1.0+{UNKNOWN}", f"0.1.0+{UNKNOWN}")


def test_reports_of_an_unknown_build_accuse_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for command in ("dossier", "verify"):
        monkeypatch.setattr(f"vidspin.cli.{command}.built_version", lambda: f"0.1.0+{UNKNOWN}")
    assert main(["dossier", str(make_result(tmp_path, size=3000)), "--quiet"]) == 0
    monkeypatch.setattr("vidspin.report.trust.CHECKS_WORDS", "Each check answers for itself.")
    main(["verify", str(tmp_path / "goldfinch.dossier")])
    told = capsys.readouterr().out
    assert "WRONG" not in told and f"and this is 0.1.0+{UNKNOWN}, which makes other" in told


def test_no_kind_of_file_is_left_out_of_the_digest() -> None:
    own = Path(str(resources.files("vidspin")))
    kinds = {p.suffix for p in own.rglob("*") if p.is_file() and "__pycache__" not in p.parts}
    assert kinds - {".typed"} == set(SOURCES)


def test_a_dossier_names_its_build_and_another_one_accuses_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    result = make_result(tmp_path, size=3000)
    assert main(["dossier", str(result), "--quiet"]) == 0
    dossier = tmp_path / "goldfinch.dossier"
    manifest = json.loads((dossier / "data" / "manifest.json").read_text("utf-8"))
    assert manifest["vidspin_version"] == built_version()
    monkeypatch.setattr("vidspin.report.trust.CHECKS_WORDS", "Each check answers for itself.")
    main(["verify", str(dossier)])
    assert "WRONG" in capsys.readouterr().out
    monkeypatch.setattr("vidspin.cli.verify.built_version", lambda: "0.1.0+3f9c2a71d0be")
    main(["verify", str(dossier)])
    told = capsys.readouterr().out
    assert "WRONG" not in told
    assert "and this is 0.1.0+3f9c2a71d0be, which makes other words" in told
