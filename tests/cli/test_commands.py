"""The command line from outside: exit codes, streams, misspellings, speed of ``--help``."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import click
import pytest
from small_scans import monopole_scan

from scanproc.cli.commands import COMMANDS, run
from scanproc.files.stored.scan_file import write_scan
from scanproc.records.measured.scan import ImpulseScan, Scan
from synthetic_scans.settings import Recipe

Captured = pytest.CaptureFixture[str]


@pytest.fixture
def scan_file(tmp_path: Path) -> Path:
    path = tmp_path / "scan.h5"
    write_scan(path, monopole_scan())
    return path


def process(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "scanproc", *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, **environment},
        timeout=120,
    )


@pytest.mark.parametrize("arguments", [["--version"], ["--help"], *([name, "--help"] for name in COMMANDS)])
def test_help_and_version_load_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys\nfrom scanproc.cli.commands import run\n"
        f"assert run({arguments!r}) == 0\n"
        "print(','.join(sorted({name.partition('.')[0] for name in sys.modules})), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    heavy = {"numpy", "scipy", "h5py", "dask", "distributed", "pydantic", "matplotlib", "rich", "psutil"}
    assert "click" in done.stderr
    assert not heavy & set(done.stderr.strip().split(","))


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = "import sys, scanproc; assert 'numpy' not in sys.modules and 'h5py' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_version_is_that_of_the_package(capsys: Captured) -> None:
    import scanproc

    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"scanproc {scanproc.__version__}\n"


@pytest.mark.parametrize("name", COMMANDS)
def test_every_help_has_an_example_and_the_exit_codes(name: str, capsys: Captured) -> None:
    assert run([name, "--help"]) == 0
    text = capsys.readouterr().out
    assert f"Example:\n    scanproc {name}" in text
    listed = [line.split()[0] for line in text[text.index("Exit codes") :].splitlines()[1:] if line.strip()]
    assert listed == ["0", "1", "2", "3", "130"]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_example_is_a_valid_call(name: str) -> None:
    command = import_module(COMMANDS[name]).command
    assert isinstance(command, click.Command)
    example = (command.epilog or "").splitlines()[2].split()
    assert example[:2] == ["scanproc", name]
    command.make_context(name, example[2:])


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["convrt"], "scanproc: no command 'convrt': did you mean 'convert'? (see 'scanproc --help')\n"),
        (
            ["zzz"],
            f"scanproc: no command 'zzz': known are {', '.join(COMMANDS)} (see 'scanproc --help')\n",
        ),
        (
            ["convert", "--outptu", "x"],
            "scanproc: No such option '--outptu'. Did you mean '--output'? (see 'scanproc convert --help')\n",
        ),
        (["convert"], "scanproc: Missing argument 'SCAN'. (see 'scanproc convert --help')\n"),
    ],
)
def test_a_wrong_call_is_one_line_and_code_2(arguments: list[str], line: str, capsys: Captured) -> None:
    assert run(arguments) == 2
    assert capsys.readouterr() == ("", line)


def test_no_command_shows_the_help_on_stderr(capsys: Captured) -> None:
    assert run([]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "Commands:" in err


def test_convert_tells_what_it_found(scan_file: Path, tmp_path: Path, capsys: Captured) -> None:
    assert run(["convert", str(scan_file), "-o", str(tmp_path / "out")]) == 0
    out, err = capsys.readouterr()
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    study = summary["points_study"]["verdict"]
    page = tmp_path / "out" / "report.html"
    room = "Room: not part of the model (the scan says that it was taken in free field)."
    results = f"Results are in {page.parent}, the page is {page}"
    assert out == f"{summary['verdict']}\n{study}\n{room}\n{results}\n"
    assert [line[26:] for line in err.splitlines()] == [
        "scans checked: 0 of 1",
        "plans made: 0 of 1",
        "plans made: 1 of 1",
        "frequencies fitted: 0 of 7",
        "frequencies fitted: 7 of 7",
        "bands studied: 0 of 7",
        "bands studied: 7 of 7",
    ]


def test_points_judges(scan_file: Path, capsys: Captured) -> None:
    assert run(["points", str(scan_file)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("Enough up to 1.25 kHz with ")
    assert len(lines) == 3 + 7 + 2
    assert lines[-1].startswith("Corrected by ")
    assert run(["points", str(scan_file), "--target-db", "-150", "--json"]) == 3
    document = json.loads(capsys.readouterr().out)
    assert document["verdict"].startswith(
        "Not enough for a far-field error of -150 dB (set by you) in any band"
    )
    assert document["met_up_to_hz"] is None
    assert [size["points"] for size in document["by_size"]][-1] == 100


def test_points_takes_one_target(scan_file: Path, capsys: Captured) -> None:
    assert run(["points", str(scan_file), "--target-db", "-30", "--curve-db", "0.5"]) == 2
    assert capsys.readouterr().err.endswith("give one of them\n")


def test_json_is_one_document_on_success(scan_file: Path, tmp_path: Path, capsys: Captured) -> None:
    assert run(["convert", str(scan_file), "-o", str(tmp_path / "out"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document.pop("output") == str(tmp_path / "out")
    assert document == json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("arguments", "code", "kind"),
    [
        (["convert", "absent.h5", "-o", "out"], 1, "ScanFileError"),
        (["convert", "scan.h5", "-o", "scan.h5"], 1, "OutputError"),
        (["convert", "scan.h5", "-o", "out", "-c", "bad.toml"], 2, "SettingsError"),
        (["convert", "scan.h5"], 2, "MissingParameter"),
        (["synth", "unheard-of", "-o", "new.h5"], 2, "SettingsError"),
        (["synth", "demo", "-o", "scan.h5"], 1, "OutputError"),
        (["demo", "-o", "full"], 1, "OutputError"),
        (["unheard-of"], 2, "UsageError"),
    ],
)
def test_failures_have_a_code_a_line_and_a_document(
    arguments: list[str],
    code: int,
    kind: str,
    scan_file: Path,
    capsys: Captured,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(scan_file.parent)
    Path("bad.toml").write_text("[fit]\nordre = 3\n", encoding="utf-8")
    Path("full").mkdir()
    Path("full/mine.txt").touch()
    before = sorted(Path().rglob("*"))
    assert run(arguments) == code
    out, err = capsys.readouterr()
    assert out == ""
    (line,) = [line for line in err.splitlines() if line.startswith("scanproc: ")]
    assert run([*arguments, "--json"]) == code
    document = json.loads(capsys.readouterr().out)
    message = line.removeprefix("scanproc: ")
    assert document == {"error": {"kind": kind, "message": message, "exit_code": code}}
    assert sorted(Path().rglob("*")) == before


def test_all_settings_errors_come_in_one_go(
    scan_file: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(scan_file.parent)
    Path("bad.toml").write_text('[fit]\nordre = 3\norder = "7"\n', encoding="utf-8")
    assert run(["convert", "scan.h5", "-o", "out", "-c", "bad.toml"]) == 2
    assert capsys.readouterr().err.splitlines() == [
        "scanproc: bad.toml:2: fit.ordre: no such setting: did you mean 'order'?",
        'scanproc: bad.toml:3: fit.order must be "auto" or a whole number from 0 to 100, got "7"',
    ]


def test_an_interrupt_leaves_nothing_and_code_130(
    scan_file: Path, tmp_path: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("scanproc.run.conversion.pipeline.write_direction_tables", interrupted)
    assert run(["convert", str(scan_file), "-o", str(tmp_path / "out")]) == 130
    assert "interrupted, nothing was written" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["scan.h5"]


def test_an_interrupt_that_a_library_calls_by_another_name(scan_file: Path) -> None:
    program = """
import os, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
from scanproc.cli.commands import main
from scanproc.run.conversion import check
def loading(*_):
    try:
        os.kill(os.getpid(), signal.SIGINT)
    except KeyboardInterrupt:
        raise ImportError("initialization failed") from None
check.check_scan = loading
sys.argv[0] = "scanproc"
main()
"""
    call = [sys.executable, "-c", program, "check", str(scan_file)]
    done = subprocess.run(call, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (130, "scanproc: interrupted, nothing was written\n")


def test_a_bug_is_one_line_too(
    scan_file: Path, tmp_path: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("no such number")

    monkeypatch.setattr("scanproc.run.conversion.pipeline.fit_in_room", broken)
    assert run(["convert", str(scan_file), "-o", str(tmp_path / "out")]) == 1
    assert "a bug in scanproc: ZeroDivisionError: no such number" in capsys.readouterr().err.splitlines()[-1]
    monkeypatch.setenv("SCANPROC_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        run(["convert", str(scan_file), "-o", str(tmp_path / "out")])


def test_a_log_has_no_escape_codes_and_no_carriage_returns(scan_file: Path, tmp_path: Path) -> None:
    done = process("convert", str(scan_file), "-o", str(tmp_path / "out"), FORCE_COLOR="1")
    assert done.returncode == 0
    assert done.stdout.startswith("The predicted far-field error")
    assert "frequencies fitted: 7 of 7" in done.stderr
    assert not {"\x1b", "\r"} & set(done.stdout + done.stderr)


def test_synth_makes_a_scan_that_converts(tmp_path: Path, capsys: Captured) -> None:
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(
        'name = "two buoys"\n[device]\nkind = "sources"\n[[device.source]]\n[[device.source]]\n'
        "position_m = [0.1, 0.0, 0.0]\n"
        '[surface]\nkind = "shells"\npoints = 60\nradii_m = [0.4]\n'
        '[frequencies]\nspacing = "log"\nstart_hz = 100.0\nstop_hz = 400.0\ncount = 3\n',
        encoding="utf-8",
    )
    scan = tmp_path / "scan.h5"
    assert run(["synth", str(recipe), "-o", str(scan), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"output": str(scan), "points": 60, "device": "two buoys"}
    assert run(["convert", str(scan), "-o", str(tmp_path / "out")]) == 0
    assert run(["synth", str(recipe), "-o", str(scan), "--force"]) == 0


def test_demo_goes_the_whole_road(tmp_path: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "scanproc.run.synth.make_sounds", lambda recipe: (monopole_scan(device=recipe.device.name), {})
    )
    demo = tmp_path / "scanproc-demo"
    for _ in range(2):  # an earlier demo is replaced
        assert run(["demo", "-o", str(demo)]) == 0
        lines = capsys.readouterr().out.splitlines()
        assert lines[0].startswith("The predicted far-field error meets the target")
        assert str(demo / "results" / "report.html") in lines[3]
        assert str(demo / "results" / "summary.json") in lines[4]
    summary = json.loads((demo / "results" / "summary.json").read_text(encoding="utf-8"))
    assert summary["device"] == "ferry terminal paging horn"
    assert run(["convert", str(demo / "scan.h5"), "-o", str(tmp_path / "again")]) == 0


def test_demo_in_a_room_takes_its_own_recipe(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    made = []

    def noted(recipe: Recipe) -> tuple[Scan, dict[int, ImpulseScan]]:
        made.append(recipe)
        return monopole_scan(30), {}

    monkeypatch.setattr("scanproc.run.synth.make_sounds", noted)
    assert run(["demo", "--room", "-o", str(tmp_path / "demo")]) == 0
    (recipe,) = made
    assert recipe.room is not None
    assert len(recipe.surface.radii_m) == 2
    assert recipe.surface.position_error_m == 0.0005
    assert run(["demo", "--room", "--harmonics", "-o", str(tmp_path / "both")]) == 2


def test_a_reader_that_leaves_early_gets_no_traceback(scan_file: Path, tmp_path: Path) -> None:
    convert = f"{sys.executable} -m scanproc convert {scan_file} -o {tmp_path / 'out'}"
    done = subprocess.run(
        ["bash", "-c", f"{convert} | true; exit ${{PIPESTATUS[0]}}"],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode in (0, 1)
    assert "Traceback" not in done.stderr
    assert "BrokenPipe" not in done.stderr
