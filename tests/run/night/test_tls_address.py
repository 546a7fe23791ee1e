"""A tls address without certificates is one line, not what dask says of it."""

from __future__ import annotations

from pathlib import Path

import dask
import pytest
from distributed import Security
from small_scans import monopole_scan

from scanproc.cli.commands import run
from scanproc.files.stored.scan_file import write_scan


def test_a_tls_address_without_certificates(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_scan(tmp_path / "scan.h5", monopole_scan(40))
    address = "tls://127.0.0.1:8786"
    assert run(["batch", str(tmp_path / "scan.h5"), "-o", str(tmp_path / "out"), "--scheduler", address]) == 2
    said = capsys.readouterr().err.strip().splitlines()[-1]
    assert said.startswith(f"scanproc: {address} needs certificates: state distributed.comm.tls (ca-file, ")


def test_the_ready_settings_give_every_part_a_certificate() -> None:
    folder = Path(__file__).parents[3] / "configs" / "cluster"
    ready = dask.config.collect([str(folder)], env={})
    with dask.config.set(dask.config.merge(dask.config.config, ready)):
        security = Security()
    assert security.require_encryption
    for part in ("scheduler", "worker", "client"):
        context = security.get_tls_config_for_role(part)
        assert {Path(context[key]).name for key in ("ca_file", "cert", "key")} == {
            "ca.pem",
            "cert.pem",
            "key.pem",
        }
