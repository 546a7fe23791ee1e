"""Options that several commands have, word for word."""

from __future__ import annotations

from pathlib import Path

import click

Positive = click.FloatRange(0, min_open=True)

with_settings = click.option(
    "-c", "--config", type=click.Path(path_type=Path), help="Settings in TOML; see configs/."
)
with_force = click.option("--force", is_flag=True, help="Replace earlier results of another kind, too.")
with_target = click.option(
    "--target-db", type=click.FloatRange(-200, 0, max_open=True), help="Far-field error to reach, dB."
)
with_up_to = click.option("--up-to", "up_to_hz", type=Positive, help="Highest frequency that matters, Hz.")
