// Curves by uPlot; legend, read-outs, error bands, marks and keys by us.
function drawLines(figure, stage, controls) {
  const { x_axis: xAxis, y_axis: yAxis } = figure;
  const log = xAxis.scale === "log";
  let step = figure.steps ? figure.steps.start : 0;
  let view = { low: xAxis.low, high: xAxis.high };
  let plot = null;
  let chosen = Math.floor(figure.x.length / 2);
  const shown = figure.lines.map((entry) => entry.shown);
  let relative = false;
  const axisOf = (entry) => (entry.right ? figure.right_axis : relative ? figure.relative_axis : yAxis);
  const scaleOf = (entry) => (entry.right ? "r" : "y");
  const dashOf = (entry, index) => book.dashes[(entry.dash ?? index) % book.dashes.length];
  const part = (values) => (values === null ? null : Array.isArray(values) ? values[step] : values);
  const holes = (values) => Array.from(values, (value) => (Number.isNaN(value) ? null : value));
  const colour = (index) => {
    const { shade: at } = figure.lines[index];
    return at === null ? theme().lines[index % theme().lines.length] : `rgb(${shade(at, 0, 1).join(",")})`;
  };
  // What is drawn of a line: its values, less those of the first, or on top of the lines before it.
  const drawn = (entry, index) => {
    const y = part(entry.y);
    if (relative) return y.map((value, i) => value - part(figure.lines[0].y)[i]);
    if (!figure.stacked || index === 0) return y;
    return y.map((value, i) => figure.lines.slice(0, index).reduce((sum, other) => sum + (part(other.y)[i] || 0), value));
  };

  const bar = make("div", { class: "bar" });
  const where = make("output", { class: "where", "aria-live": "polite" });
  const place = make("div", { class: "plot", tabindex: "0", role: "group", "aria-label": `${figure.text.title}. ${figure.text.finding} Left and right read values, plus and minus zoom, 0 shows all.` });
  const legend = make("div", { class: "legend" }, where);
  const values = figure.lines.map((entry, index) => {
    const value = make("span", { class: "value" });
    const swatch = make("canvas", { class: "swatch", "aria-hidden": "true" });
    const button = make("button", { type: "button", "aria-pressed": String(shown[index]), onclick: () => {
      shown[index] = !shown[index];
      button.setAttribute("aria-pressed", String(shown[index]));
      plot.setSeries(index + 1, { show: shown[index] });
    } }, swatch, make("span", { class: "name" }, entry.name), value);
    legend.append(button);
    return { value, swatch };
  });
  stage.append(bar, place, legend);
  const ratio = make("span", { class: "ratio" });
  bar.append(ratio);
  if (figure.relative_axis) bar.append(levelChoice(figure, relative, (value) => {
    relative = value;
    draw();
  }));
  zoomButtons(bar, zoom);

  function data() {
    return [Array.from(figure.x), ...figure.lines.map((entry, index) => holes(drawn(entry, index)))];
  }

  function bounds(entry, index) {
    const y = drawn(entry, index);
    if (figure.stacked) return [index ? drawn(figure.lines[index - 1], index - 1) : y.map(() => 0), y];
    const error = part(entry.error);
    if (error) return [y.map((value, i) => value - error[i]), y.map((value, i) => value + error[i])];
    return entry.low ? [part(entry.low), part(entry.high)] : null;
  }

  function band(u, entry, index) {
    const pair = bounds(entry, index);
    const scale = scaleOf(entry);
    if (!pair || !shown[index]) return;
    const pen = u.ctx;
    pen.save();
    pen.beginPath();
    pen.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
    pen.clip();
    pen.fillStyle = colour(index);
    pen.globalAlpha = figure.stacked ? 0.6 : 0.2;
    if (!entry.joined) {
      pen.globalAlpha = 1;
      pen.strokeStyle = colour(index);
      pen.lineWidth = 1.5 * (window.devicePixelRatio || 1);
      for (const i of figure.x.keys()) {
        const at = u.valToPos(figure.x[i], "x", true);
        line(pen, at, u.valToPos(pair[0][i], scale, true), at, u.valToPos(pair[1][i], scale, true));
      }
      pen.restore();
      return;
    }
    const known = Array.from(figure.x.keys()).filter((i) => Number.isFinite(pair[0][i]) && Number.isFinite(pair[1][i]));
    const low = yAxis.scale === "log" ? yAxis.low / 10 : -Infinity;
    pen.beginPath();
    for (const i of known) pen.lineTo(u.valToPos(figure.x[i], "x", true), u.valToPos(Math.max(pair[1][i], low), scale, true));
    for (const i of known.reverse()) pen.lineTo(u.valToPos(figure.x[i], "x", true), u.valToPos(Math.max(pair[0][i], low), scale, true));
    pen.fill();
    pen.restore();
  }

  function under(u) {
    figure.lines.forEach((entry, index) => band(u, entry, index));
    hatch(u.ctx, u.bbox, figure.doubtful, (hz) => u.valToPos(hz, "x", true), theme(), window.devicePixelRatio || 1);
  }

  function over(u) {
    const pen = u.ctx;
    const { left, top, width, height } = u.bbox;
    const size = window.devicePixelRatio || 1;
    pen.save();
    pen.font = `${12 * size}px system-ui, sans-serif`;
    pen.strokeStyle = pen.fillStyle = theme().mark;
    pen.lineWidth = 1.5 * size;
    pen.setLineDash([6 * size, 4 * size]);
    for (const [name, level] of relative ? [] : figure.levels) {
      const y = u.valToPos(level, "y", true);
      line(pen, left, y, left + width, y);
      pen.textAlign = "left";
      pen.textBaseline = "bottom";
      pen.fillText(name, left + 6 * size, y - 2 * size);
    }
    if (figure.step_mark) {
      pen.strokeStyle = theme().ink;
      pen.setLineDash([2 * size, 3 * size]);
      const at = u.valToPos(figure.steps.value[step], figure.step_mark, true);
      if (figure.step_mark === "x") line(pen, at, top, at, top + height);
      else line(pen, left, at, left + width, at);
    }
    pen.restore();
  }

  function axes() {
    const look = theme();
    const own = [xAxis, relative ? figure.relative_axis : yAxis, ...(figure.right_axis ? [figure.right_axis] : [])];
    return own.map((axis, side) => {
      const scale = ["x", "y", "r"][side];
      const named = (place) => side < 2 || place <= figure.right_up_to;
      const room = (u) => (side ? u.bbox.height : u.bbox.width) / (window.devicePixelRatio || 1);
      return {
        scale,
        side: [2, 3, 1][side],
        label: side && axisName(axis).length * 6.5 > size().height - 60 ? axisName({ ...axis, label: axis.label.split(" re ")[0] }) : axisName(axis),
        labelSize: 20,
        labelFont: FONT,
        font: FONT,
        size: side ? 46 : 30,
        stroke: look.ink,
        grid: { show: side < 2, stroke: look.grid, width: 1 },
        ticks: { stroke: look.faint, width: 1, size: 5 },
        border: { show: true, stroke: look.faint, width: 1 },
        splits: (u, _index, low, high) => ticks(axis, low, high, room(u)).map(([at]) => at).filter(named),
        values: (u, splits) => {
          const names = new Map(ticks(axis, u.scales[scale].min, u.scales[scale].max, room(u)).map(([at, name]) => [at, name]));
          return splits.map((at) => names.get(at) ?? "");
        },
        filter: (_u, splits) => splits,
      };
    });
  }

  function size() {
    const width = Math.max(260, place.clientWidth);
    const inner = width - 46 - 20 - (figure.right_axis ? 66 : 12);
    if (!figure.decibels_per_decade) return { width, height: Math.min(400, Math.max(250, width * 0.48)) };
    const decades = Math.log10(xAxis.high / xAxis.low);
    const shown = relative ? figure.relative_axis : yAxis;
    return { width, height: Math.round(((shown.high - shown.low) / figure.decibels_per_decade / decades) * inner) + 30 + 20 + 10 };
  }

  function draw() {
    if (plot) plot.destroy();
    const distr = (axis) => (axis.scale === "log" ? 3 : 1);
    plot = new uPlot({
      ...size(),
      padding: [10, figure.right_axis ? 0 : 12, 0, 0],
      legend: { show: false },
      cursor: { drag: { x: true, y: false, setScale: true }, points: { size: 7 }, y: false },
      scales: {
        x: { time: false, distr: distr(xAxis), range: (_u, low, high) => bounded(low, high) },
        y: { distr: distr(yAxis), range: () => (relative ? [figure.relative_axis.low, figure.relative_axis.high] : [yAxis.low, yAxis.high]) },
        ...(figure.right_axis ? { r: { range: () => [figure.right_axis.low, figure.right_axis.high] } } : {}),
      },
      axes: axes(),
      series: [{}, ...figure.lines.map((entry, index) => ({
        scale: scaleOf(entry),
        stroke: colour(index),
        width: 2,
        dash: dashOf(entry, index),
        show: shown[index],
        ...(entry.joined ? {} : { paths: () => null }),
        points: { show: entry.marks || figure.x.length === 1, size: 6, fill: colour(index) },
        label: entry.name,
      }))],
      hooks: { drawAxes: [under], draw: [over], setCursor: [told], setScale: [rescaled] },
    }, data(), place);
    plot.over.addEventListener("touchmove", touched, { passive: true });
    plot.over.addEventListener("dblclick", () => zoom(0));
    figure.lines.forEach((_, index) => swatch(values[index].swatch, index));
    tell();
    state();
  }

  function bounded(low, high) {
    if (low === null || !(high > low)) return [xAxis.low, xAxis.high];
    return [Math.max(low, xAxis.low), Math.min(high, xAxis.high)];
  }

  function rescaled(u, key) {
    if (key === "x" && u.scales.x.min) view = { low: u.scales.x.min, high: u.scales.x.max };
    state();
  }

  function zoom(factor) {
    view = zoomed(view, xAxis, figure.x[chosen], factor);
    plot.setScale("x", { min: view.low, max: view.high });
  }

  function swatch(canvas, index) {
    const pen = sharpCanvas(canvas, 34, 10);
    pen.strokeStyle = colour(index);
    pen.lineWidth = 2.5;
    pen.setLineDash(dashOf(figure.lines[index], index));
    line(pen, 0, 5, 34, 5);
  }

  function told(u) {
    if (u.cursor.idx !== null && u.cursor.idx !== undefined) {
      chosen = u.cursor.idx;
      tell();
    }
  }

  function tell() {
    where.textContent = valueName(figure.x[chosen], xAxis);
    figure.lines.forEach((entry, index) => {
      const axis = axisOf(entry);
      const y = figure.stacked ? part(entry.y)[chosen] : drawn(entry, index)[chosen];
      if (entry.low) values[index].value.textContent = `${valueName(y, axis)} (${valueName(part(entry.low)[chosen], axis)} to ${valueName(part(entry.high)[chosen], axis)})`;
      else values[index].value.textContent = withError(y, entry.error ? part(entry.error)[chosen] : null, axis);
    });
  }

  function state() {
    if (!figure.decibels_per_decade) return;
    const full = Math.abs(view.low / xAxis.low - 1) < 1e-3 && Math.abs(view.high / xAxis.high - 1) < 1e-3;
    ratio.textContent = full ? `${figure.decibels_per_decade} dB per decade` : "zoomed: axes no longer to scale";
  }

  function point(index) {
    chosen = Math.max(0, Math.min(figure.x.length - 1, index));
    plot.setCursor({ left: plot.valToPos(figure.x[chosen], "x"), top: 10 });
    tell();
  }

  function touched(event) {
    const edge = plot.over.getBoundingClientRect();
    point(nearestIndex(figure.x, plot.posToVal(event.touches[0].clientX - edge.left, "x"), log));
  }

  place.addEventListener("keydown", (event) => {
    const moves = { ArrowLeft: -1, ArrowRight: 1, PageDown: -10, PageUp: 10, Home: -1e9, End: 1e9 };
    if (event.key in moves) point(chosen + moves[event.key]);
    else if ("+=".includes(event.key)) zoom(0.5);
    else if (event.key === "-") zoom(2);
    else if (event.key === "0") zoom(0);
    else return;
    event.preventDefault();
  });

  if (figure.steps) controls(figure.steps, (index) => {
    step = index;
    plot.setData(data(), false);
    plot.redraw();
    tell();
  });
  draw();
  return draw;
}
