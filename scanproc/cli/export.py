"""``scanproc export``: files for other tools from a result."""

from __future__ import annotations

from pathlib import Path

import click

from scanproc.cli.terminal.frame import Outcome, as_command
from scanproc.cli.terminal.progress import shown


@as_command(
    "export",
    example="scanproc export results -o files --directions orbits-5 --format csv,sofa",
    topic="export",
)
@click.argument("result", type=click.Path(path_type=Path))
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="Directory to make.")
@click.option(
    "--directions", multiple=True, help="orbits-10 (default), orbits-5, sphere-10, sphere-5, ...; repeatable."
)
@click.option(
    "-c", "--config", type=click.Path(path_type=Path), help="Sets of your own in TOML; see configs/."
)
@click.option(
    "--format", "formats", default="csv", help="Of csv,text,wav,sofa,sofa-ir,npz,hdf5; default csv."
)
@click.option(
    "--filter",
    "filters",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Drive filters in TOML; repeatable.",
)
@click.option("--toe-in", type=float, default=0.0, help="Turn the device towards +y by so many degrees.")
@click.option("--tilt", type=float, default=0.0, help="Turn its front up by so many degrees.")
@click.option(
    "--per-octave", type=click.IntRange(1, 96), help="Frequencies per octave; absent: the scan's own."
)
@click.option("--smooth", type=click.FloatRange(0.5, 96.0), help="Smooth over 1/N octave.")
@click.option("--smooth-kind", type=click.Choice(["power", "complex"]), default="power", show_default=True)
@click.option(
    "--bands", type=click.IntRange(1, 24), help="Also curves_in_bands.csv, 1/N octave (IEC 61260-1)."
)
@click.option(
    "--keep-delay", is_flag=True, help="Leave the delay over 1 m (seats: their distance) in the phase."
)
@click.option("--rate", type=float, default=48000.0, show_default=True, help="Hz, for impulse responses.")
@click.option("--samples", type=int, default=16384, show_default=True, help="Length of impulse responses.")
@click.option("--force", is_flag=True, help="Replace an earlier export, or other results.")
def command(
    result: Path,
    output: Path,
    directions: tuple[str, ...],
    config: Path | None,
    formats: str,
    filters: tuple[Path, ...],
    toe_in: float,
    tilt: float,
    per_octave: int | None,
    smooth: float | None,
    smooth_kind: str,
    bands: int | None,
    keep_delay: bool,
    rate: float,
    samples: int,
    force: bool,
    as_json: bool,
) -> Outcome:
    """Write the directions of a RESULT (result.h5, or the directory that holds it) in open formats.

    \b
    csv      a table per angle, every digit, with standard errors
    text     three columns per angle: Hz, dB, degrees
    wav      impulse responses, 32-bit floats, the same time zero in all
    sofa     AES69 FreeFieldDirectivityTF; sofa-ir: GeneralFIR
    npz      NumPy arrays, a file per set; hdf5: all sets in one file

    With --filter everything is as if the device had been driven through the filters; curves_before.csv has the curves
    without. manifest.json says where all came from, with a checksum of each file.
    """
    from scanproc.run.export import Wanted, export
    from scanproc.run.settings.exports import ExportSettings, read_export_settings
    from scanproc.steps.farfield.sets import Turn

    settings = ExportSettings() if config is None else read_export_settings(config)
    names = directions or (() if settings.set else ("orbits-10",))
    wanted = Wanted(
        names=names,
        formats=tuple(formats.replace(" ", "").split(",")),
        filters=filters,
        turn=Turn(toe_in, tilt),
        per_octave=per_octave,
        smoothing=None if smooth is None else (smooth, "complex" if smooth_kind == "complex" else "power"),
        keep_delay=keep_delay,
        bands_per_octave=bands,
        sampling_rate_hz=rate,
        samples=samples,
    )
    source = result / "result.h5" if result.is_dir() else result
    with shown() as progress:
        manifest = export(source, output, wanted, settings, progress, force=force)
    count = len(manifest["files"])
    return Outcome({**manifest, "output": str(output)}, [f"Wrote {output}: {count} files and their manifest"])
