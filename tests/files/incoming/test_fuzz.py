"""Readers of foreign files under random damage: one line in words or a good scan, never anything else.

200 cases in a test run; ``SCANPROC_FUZZ=2000`` (or more) for a longer one.
"""

from __future__ import annotations

import os
import shutil
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import sofar
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from small_scans import delayed_impulses, even_points, monopole_scan

from scanproc.errors import ScanprocError
from scanproc.files.incoming.reference_files import read_reference
from scanproc.files.replacing import RESULT, check_directory
from scanproc.files.stored.result_file import read_result
from scanproc.files.stored.scan_file import open_scan, read_scan, write_scan
from scanproc.run.conversion import pipeline
from scanproc.run.conversion.check import check_scan
from scanproc.run.conversion.pipeline import convert
from scanproc.run.incoming.import_scan import import_scan
from scanproc.run.night.ledger import Ledger
from scanproc.run.settings.conversion import parse_settings, read_sections, read_settings
from scanproc.run.settings.exports import read_filters
from scanproc.run.settings.imports import ImportSettings

CASES = int(os.environ.get("SCANPROC_FUZZ", "200"))
KINDS = (
    "scan",
    "responses",
    "wav",
    "rf64",
    "sofa",
    "npz",
    "positions",
    "spectra",
    "toml",
    "import toml",
    "result",
    "summary",
    "hashes",
    "ledger",
    "reference",
    "reference toml",
    "filter toml",
)
MOST_BYTES = 256 * 2**20
TOML = (
    '[fit]\norder = 7\ncentre_m = [0.1, 0, 0]\n[frequencies]\nlowest_hz = 50.0\n[check]\ndrop = ["outlier"]\n'
)

Mutation = list[tuple[str, int, int]]
MUTATIONS = st.lists(
    st.tuples(
        st.sampled_from(["flip", "set", "cut", "repeat", "huge", "insert"]),
        st.integers(0, 2**20),
        st.integers(0, 2**16 - 1),
    ),
    min_size=1,
    max_size=6,
)


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one valid file of each kind."""
    folder = tmp_path_factory.mktemp("good")
    spectra, responses = monopole_scan(20), delayed_impulses(16, 80)
    write_scan(folder / "scan", spectra)
    write_scan(folder / "responses", responses)
    soundfile.write(
        folder / "wav", responses.impulse_response_pa[0] / 2, 48000, format="WAV", subtype="PCM_16"
    )
    soundfile.write(
        folder / "rf64", responses.impulse_response_pa[0] / 2, 48000, format="RF64", subtype="PCM_24"
    )
    plan = parse_settings(
        {
            "check": {"run": False},
            "fit": {"order": 2},
            "points": {"in_convert": False},
            "directions": {"step_deg": 90},
        }
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "write_page", lambda directory, *_: (directory / "report.html").touch())
        convert(folder / "scan", folder / "converted", plan)
    for kind, name in (("result", "result.h5"), ("summary", "summary.json"), ("hashes", "SHA256SUMS")):
        (folder / kind).write_bytes((folder / "converted" / name).read_bytes())
    (folder / "ledger").write_text('{"scan": "a.h5", "state": "done"}\n{"scan": "b.h5", "state": "failed"}\n')
    (folder / "reference").write_text("100 80 0\n200 81.5 -20\n400 82 -40\n")
    (folder / "reference toml").write_text(
        'distance_m = 2.0\nunit = "pa"\n[[microphone]]\nfile = "a.txt"\nhorizontal_deg = 30.0\n'
    )
    (folder / "filter toml").write_text(
        'sampling_rate_hz = 48000.0\n[[filter]]\nkind = "polarity"\n[[filter]]\nkind = "table"\nfile = "a.csv"\n'
    )
    with open(folder / "npz", "wb") as file:
        np.savez(
            file,
            position_m=spectra.setup.position_m,
            frequency_hz=spectra.frequency_hz,
            pressure_pa=spectra.pressure_pa,
        )
    rows = [",".join(map(repr, row)) for row in even_points(3, 0.4).tolist()]
    (folder / "positions").write_text("\n".join(["x_m,y_m,z_m", *rows]), encoding="utf-8")
    (folder / "spectra").write_text("frequency_hz,real_pa,imag_pa\n100,1,2\n200,2,3\n", encoding="utf-8")
    (folder / "toml").write_text(TOML, encoding="utf-8")
    (folder / "import toml").write_text("[source]\nkind = 'wav'\n[drive]\nlength_s = 0.1\n", encoding="utf-8")
    sofa = sofar.Sofa("GeneralFIR")
    sofa.Data_IR, sofa.Data_SamplingRate = responses.impulse_response_pa[:, None, :], 48000
    sofa.ListenerPosition, sofa.ListenerPosition_Type = responses.setup.position_m, "cartesian"
    sofa.ListenerPosition_Units = "metre"
    sofa.ReceiverPosition = np.zeros((1, 3))
    sofar.write_sofa(str(folder / "a.sofa"), sofa)
    (folder / "a.sofa").rename(folder / "sofa")
    return folder


def damaged(content: bytes, mutations: Mutation) -> bytes:
    """The content with bytes flipped, set, cut off, repeated, inserted, or with a huge number in it."""
    held = bytearray(content)
    for what, where, value in mutations:
        at = where % max(1, len(held))
        if what == "flip" and held:
            held[at] ^= 1 << (value % 8)
        elif what == "set" and held:
            held[at] = value % 256
        elif what == "cut":
            del held[at:]
        elif what == "repeat":
            held[at:at] = held[at : at + value % 64]
        elif what == "huge":
            held[at : at + 8] = (10**12 + value).to_bytes(8, "little")
        else:
            held[at:at] = value.to_bytes(2, "little")
    return bytes(held)


def use(good: Path, kind: str, place: Path, content: bytes) -> None:
    """Does with a file of that kind what a command would."""
    output = place / "out" / "scan.h5"
    output.parent.mkdir(exist_ok=True)
    if kind in ("scan", "responses"):
        (place / "scan.h5").write_bytes(content)
        read_scan(place / "scan.h5")
        with open_scan(place / "scan.h5") as file:
            file.read_points(slice(0, 2))
        check_scan(place / "scan.h5")
    elif kind in ("result", "summary", "hashes"):
        held = place / "results"
        shutil.copytree(good / "converted", held, dirs_exist_ok=True)
        name = {"result": "result.h5", "summary": "summary.json", "hashes": "SHA256SUMS"}[kind]
        (held / name).write_bytes(content)
        if kind == "result":
            read_result(held / "result.h5")
        check_directory(held, RESULT)
    elif kind == "ledger":
        (place / "ledger.jsonl").write_bytes(content)
        Ledger(place / "ledger.jsonl").note("done", "c.h5")
    elif kind in ("reference", "reference toml", "filter toml"):
        text = b"100 80 0\n200 81 0\n" if kind == "reference toml" else content
        (place / "a.txt").write_bytes(text)
        (place / "a.csv").write_text("frequency_hz,level_db,phase_deg\n100,0,0\n200,1,3\n", encoding="utf-8")
        (place / "horizontal_+030_deg.txt").write_bytes(text)
        (place / "a.toml").write_bytes(content)
        if kind == "filter toml":
            read_filters(place / "a.toml")
        else:
            name = "a.toml" if kind == "reference toml" else "horizontal_+030_deg.txt"
            read_reference(place / name, distance_m=2.0, unit="pa")
    elif kind in ("toml", "import toml"):
        (place / "a.toml").write_bytes(content)
        read_settings(place / "a.toml")
        read_sections(place / "a.toml", ImportSettings)
    elif kind in ("sofa", "npz"):
        (place / f"a.{kind}").write_bytes(content)
        import_scan(place / f"a.{kind}", output, force=True)
    else:
        _folder(kind, place, content)
        pattern = "{number}.csv" if kind == "spectra" else "{number}.wav"
        stated = ImportSettings.model_validate({"source": {"pattern": pattern}})
        import_scan(place, output, stated, force=True)


def _folder(kind: str, place: Path, content: bytes) -> None:
    (place / "positions.csv").write_text("x_m,y_m,z_m\n0,0,1\n0,1,0\n1,0,0\n", encoding="utf-8")
    if kind == "positions":
        (place / "positions.csv").write_bytes(content)
    for number in (1, 2, 3):
        if kind == "spectra":
            (place / f"{number}.csv").write_bytes(content)
        elif kind in ("wav", "rf64"):
            (place / f"{number}.wav").write_bytes(content)
        else:
            soundfile.write(place / f"{number}.wav", np.linspace(-0.5, 0.5, 64), 48000)


def must_stay_calm(run: Callable[[], None]) -> None:
    """One line in words or success, in little memory."""
    said = None
    tracemalloc.start()
    try:
        run()
    except ScanprocError as error:
        said = error
    finally:
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert peak < MOST_BYTES
    if said is not None:
        assert str(said)
        assert said.exit_code == 2 or "\n" not in str(said)


@settings(
    max_examples=CASES,
    deadline=10_000,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    derandomize=CASES <= 200,
)
@given(kind=st.sampled_from(KINDS), mutations=MUTATIONS)
def test_damaged_files(good: Path, tmp_path: Path, kind: str, mutations: Mutation) -> None:
    content = damaged((good / kind).read_bytes(), mutations)
    before = {entry.name for entry in tmp_path.parent.iterdir()}
    must_stay_calm(lambda: use(good, kind, tmp_path, content))
    assert {entry.name for entry in tmp_path.parent.iterdir()} == before  # nothing outside
    if (tmp_path / "out").exists():
        assert {entry.name for entry in (tmp_path / "out").iterdir()} <= {"scan.h5"}


@pytest.mark.parametrize("kind", KINDS)
def test_undamaged_files_pass(good: Path, tmp_path: Path, kind: str) -> None:
    """Otherwise the fuzz would only ever see refusals."""
    if kind in ("toml", "import toml"):
        (tmp_path / "a.toml").write_bytes((good / kind).read_bytes())
        read_settings(tmp_path / "a.toml") if kind == "toml" else read_sections(
            tmp_path / "a.toml", ImportSettings
        )
    else:
        try:
            use(good, kind, tmp_path, (good / kind).read_bytes())
        except ScanprocError as error:
            pytest.fail(str(error))
