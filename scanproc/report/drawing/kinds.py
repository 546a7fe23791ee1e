"""What a figure shows, apart from how it is drawn: the one source of the static and the interactive picture."""

from __future__ import annotations

from dataclasses import dataclass

from scanproc.conventions import Integer, Real

Spans = tuple[tuple[float, float], ...]
"""Stretches of the x axis (or of the steps), from and to, in which the predicted far-field error misses the target."""


@dataclass(frozen=True)
class Text:
    """The words of a figure: ``finding`` follows from the data, the others tell how to read it; ``on_screen``: its
    advice makes no sense on paper."""

    key: str
    title: str
    finding: str
    shows: str
    better: str
    advice: str
    on_screen: bool = False


@dataclass(frozen=True)
class Axis:
    """``low`` and ``high`` bound what is drawn; "log" axes are frequencies or counts."""

    label: str
    unit: str
    low: float
    high: float
    scale: str = "linear"
    digits: int = 1


@dataclass(frozen=True, eq=False)
class Line:
    """``y`` (x,) or, when the figure has steps, (steps, x); ``error`` of the same shape: half of the bar. ``right``:
    read on the figure's right axis. Not ``joined``: points on their own, each with a bar. ``shade`` from 0 to 1: a
    colour of the map instead of one of the lines' own; ``dash`` likewise, by number."""

    name: str
    y: Real
    error: Real | None = None
    low: Real | None = None
    high: Real | None = None
    shown: bool = True
    marks: bool = False
    right: bool = False
    shade: float | None = None
    dash: int | None = None
    joined: bool = True


@dataclass(frozen=True)
class Steps:
    """What a slider steps through; figures with the same ``name`` move together."""

    name: str
    unit: str
    value: tuple[float, ...]
    start: int


@dataclass(frozen=True, eq=False)
class Lines:
    """Curves over a common x (x,). ``levels``: named horizontal lines, always drawn. ``decibels_per_decade``: the
    ratio of the axes, None for free. ``step_mark``: the steps' own value is a horizontal ("y") or vertical
    ("x") mark. ``right_axis``: a second vertical axis, named up to ``right_up_to`` only. ``relative_axis``: the same
    lines re the first, shown when asked for. ``stacked``: the lines are shares, drawn one on the other."""

    text: Text
    x_axis: Axis
    y_axis: Axis
    x: Real
    lines: tuple[Line, ...]
    levels: tuple[tuple[str, float], ...] = ()
    decibels_per_decade: float | None = None
    steps: Steps | None = None
    step_mark: str = ""
    doubtful: Spans = ()
    right_axis: Axis | None = None
    right_up_to: float = 0.0
    relative_axis: Axis | None = None
    stacked: bool = False


@dataclass(frozen=True, eq=False)
class HeatMap:
    """``value`` (rows, x), or (steps, rows, x), over x (x,) and y (rows,), with an error of the same shape.

    ``relative``: the same data re its row of y = 0, shown when asked for. ``path`` (x,) or (steps, x): a
    line over the map. ``contour``: the value at which a line is drawn in the relative map. ``strip``, of the shape of
    ``path``: one more row apart from the others, above the map; in the spans ``strip_only`` the map itself has
    nothing to say, for the reason ``strip_name``.
    """

    text: Text
    x_axis: Axis
    y_axis: Axis
    colour_axis: Axis
    x: Real
    y: Real
    value: Real
    error: Real | None = None
    relative_axis: Axis | None = None
    contour: float | None = None
    path: Real | None = None
    path_name: str = ""
    strip: Real | None = None
    strip_only: Spans = ()
    strip_name: str = ""
    steps: Steps | None = None
    doubtful: Spans = ()


@dataclass(frozen=True, eq=False)
class Polar:
    """Levels by angle, all round at ``angle_deg`` (angles,): of each orbit ``value`` and ``error`` (angles, F)."""

    text: Text
    frequency_hz: Real
    angle_deg: Real
    orbits: tuple[str, ...]
    value: tuple[Real, ...]
    error: tuple[Real, ...]
    span_db: float
    steps: Steps
    doubtful: Spans = ()


@dataclass(frozen=True, eq=False)
class PolarSheet:
    """Polars of some frequencies side by side, re the axis: of each orbit ``value`` and ``error`` (angles, K) at
    ``angle_deg`` (angles,) and ``frequency_hz`` (K,), called ``names``; the outermost circle is ``top_db``."""

    text: Text
    frequency_hz: Real
    names: tuple[str, ...]
    angle_deg: Real
    orbits: tuple[str, ...]
    value: tuple[Real, ...]
    error: tuple[Real, ...]
    top_db: float
    span_db: float
    doubtful: Spans = ()


@dataclass(frozen=True, eq=False)
class Balloon:
    """Levels on a mesh of directions: ``value`` and ``error`` (polar, azimuth, steps), polar from 0 to 180 deg."""

    text: Text
    polar_deg: Real
    azimuth_deg: Real
    value: Real
    error: Real
    span_db: float
    steps: Steps
    doubtful: Spans = ()


@dataclass(frozen=True, eq=False)
class Cloud:
    """Points in space ``position_m`` (points, 3) coloured by ``value`` (points, steps); ``names`` of all of them."""

    text: Text
    position_m: Real
    value: Real
    colour_axis: Axis
    steps: Steps
    layer: Integer | None = None
    doubtful: Spans = ()
    names: tuple[str, ...] = ()


Figure = Lines | HeatMap | Polar | PolarSheet | Balloon | Cloud
