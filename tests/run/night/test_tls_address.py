"""A tls address without certificates is one line, not what dask says of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_scans import monopole_scan

from scanproc.cli.commands import run
from scanproc.files.stored.scan_file import write_scan


def test_a_tls_address_without_certificates(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_scan(tmp_path / "scan.h5", monopole_scan(40))
    address = "tls://127.0.0.1:8786"
    assert run(["batch", str(tmp_path / "scan.h5"), "-o", str(tmp_path / "out"), "--scheduler", address]) == 2
    said = capsys.readouterr().err.strip().splitlines()[-1]
    assert said.startswith(f"scanproc: {address} needs certificates: state distributed.comm.tls (ca-file, ")
