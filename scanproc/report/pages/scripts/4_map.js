// Colour maps over frequency on a plain canvas.
function drawMap(figure, stage, controls) {
  const { x_axis: xAxis, y_axis: yAxis } = figure;
  let step = figure.steps ? figure.steps.start : 0;
  let relative = figure.relative_axis !== null;
  let view = { low: xAxis.low, high: xAxis.high };
  let box = null;
  let picked = [figure.y_axis.unit === "deg" ? nearestIndex(figure.y, 0, false) : Math.floor(figure.y.length / 2), Math.floor(figure.x.length / 2)];
  let marked = false;
  let dragged = null;

  const bar = make("div", { class: "bar" });
  const canvas = focusable(figure, "", "Arrow keys read values, plus and minus zoom, 0 shows all.");
  if (figure.relative_axis) bar.append(levelChoice(figure, relative, (value) => {
    relative = value;
    draw();
  }));
  zoomButtons(bar, zoom);
  stage.append(bar, canvas);
  const tell = readOut(stage);

  const values = () => (figure.steps ? figure.value[step] : figure.value);
  const reference = nearestIndex(figure.y, 0, false);
  const at = (row, column) => values()[row][column] - (relative ? values()[reference][column] : 0);
  const scale = () => (relative ? figure.relative_axis : figure.colour_axis);

  // For each pixel along an axis the index of the entry it shows.
  function indices(entries, axis, low, high, from, to, count, log) {
    const back = unscaled(axis, low, high, from, to);
    const edges = Array.from(entries).slice(1).map((value, i) => (log ? Math.sqrt(value * entries[i]) : (value + entries[i]) / 2));
    return Int32Array.from({ length: count }, (_, pixel) => {
      const value = back(pixel + 0.5);
      let index = 0;
      while (index < edges.length && edges[index] < value) index += 1;
      return index;
    });
  }

  function picture(pen, ratio) {
    const width = Math.round(box.width * ratio);
    const height = Math.round(box.height * ratio);
    const image = pen.createImageData(width, height);
    const columns = indices(figure.x, xAxis, view.low, view.high, 0, width, width, xAxis.scale === "log");
    const rows = indices(figure.y, yAxis, yAxis.low, yAxis.high, height, 0, height, false);
    const { low, high } = scale();
    const empty = theme().grid.match(/\w\w/g).map((hex) => parseInt(hex, 16));
    const colours = new Map();
    for (let j = 0; j < height; j += 1) {
      for (let i = 0; i < width; i += 1) {
        const key = rows[j] * figure.x.length + columns[i];
        let colour = colours.get(key);
        if (!colour) {
          const value = at(rows[j], columns[i]);
          colour = Number.isNaN(value) ? empty : shade(value, low, high);
          colours.set(key, colour);
        }
        const place = 4 * (j * width + i);
        image.data.set(colour, place);
        image.data[place + 3] = 255;
      }
    }
    pen.putImageData(image, Math.round(box.left * ratio), Math.round(box.top * ratio));
  }

  // Where the value crosses the contour: one stroke per cell of the grid.
  function contour(pen, x, y) {
    pen.beginPath();
    for (let j = 0; j + 1 < figure.y.length; j += 1) {
      for (let i = 0; i + 1 < figure.x.length; i += 1) {
        const corners = [[j, i], [j, i + 1], [j + 1, i + 1], [j + 1, i]];
        const cut = corners.flatMap(([row, column], side) => {
          const [row2, column2] = corners[(side + 1) % 4];
          const a = at(row, column) - figure.contour;
          const b = at(row2, column2) - figure.contour;
          if (a > 0 === b > 0) return [];
          const share = a / (a - b);
          const mix = (p, q) => p + share * (q - p);
          return [[mix(x(figure.x[column]), x(figure.x[column2])), mix(y(figure.y[row]), y(figure.y[row2]))]];
        });
        for (let pair = 0; pair + 1 < cut.length; pair += 2) {
          pen.moveTo(...cut[pair]);
          pen.lineTo(...cut[pair + 1]);
        }
      }
    }
    pen.stroke();
  }

  function path(pen, x, y) {
    pen.beginPath();
    steppedRow(figure.path).forEach((value, i) => pen.lineTo(x(figure.x[i]), y(value)));
    pen.stroke();
  }

  const steppedRow = (row) => (Array.isArray(row) ? row[step] : row);

  // The row apart from the map: what was used, in the map's colours.
  function strip(pen) {
    const columns = indices(figure.x, xAxis, view.low, view.high, 0, box.width, Math.round(box.width), xAxis.scale === "log");
    const row = steppedRow(figure.strip);
    const { low, high } = scale();
    columns.forEach((column, pixel) => {
      const value = row[column];
      pen.fillStyle = Number.isNaN(value) ? theme().grid : `rgb(${shade(value, low, high).join(",")})`;
      pen.fillRect(box.left + pixel, 8, 1.5, 16);
    });
  }

  // Edges of the stretches where only the strip speaks, and the reason as far as there is room for it.
  function stripOnly(pen, x, look) {
    pen.save();
    pen.font = FONT;
    pen.fillStyle = pen.strokeStyle = look.ink;
    pen.textAlign = "center";
    pen.textBaseline = "top";
    pen.setLineDash([4, 4]);
    for (const [low, high] of figure.strip_only) {
      const [left, right] = [Math.max(x(low), box.left), Math.min(x(high), box.left + box.width)];
      if (right <= left) continue;
      for (const edge of [left, right]) line(pen, edge, box.top, edge, box.top + box.height);
      const said = [figure.strip_name, figure.strip_name.split(":")[0]].find((words) => pen.measureText(words).width < right - left - 8);
      if (said) pen.fillText(said, (left + right) / 2, box.top + 6);
    }
    pen.restore();
  }

  function draw() {
    const width = Math.max(260, stage.clientWidth);
    const height = Math.min(430, Math.max(280, width * 0.5));
    const ratio = window.devicePixelRatio || 1;
    const look = theme();
    const pen = sharpCanvas(canvas, width, height);
    const above = figure.strip === null ? 10 : 30;
    box = { left: 50, top: above, width: width - 50 - 78, height: height - above - 42 };
    picture(pen, ratio);
    if (figure.strip !== null) strip(pen);
    const x = scaled(xAxis, view.low, view.high, box.left, box.left + box.width);
    const y = scaled(yAxis, yAxis.low, yAxis.high, box.top + box.height, box.top);
    pen.save();
    pen.beginPath();
    pen.rect(box.left, box.top, box.width, box.height);
    pen.clip();
    if (figure.contour !== null && relative) {
      for (const [colour, thick] of [["#000000", 3], ["#ffffff", 1.4]]) {
        pen.strokeStyle = colour;
        pen.lineWidth = thick;
        contour(pen, x, y);
      }
    }
    if (figure.path !== null) {
      for (const [colour, thick] of [[look.ground, 5], [look.mark, 2]]) {
        pen.strokeStyle = colour;
        pen.lineWidth = thick;
        path(pen, x, y);
      }
    }
    stripOnly(pen, x, look);
    hatch(pen, box, figure.doubtful, x, { faint: "#ffffff" });
    pen.restore();
    frame(pen, box, { axis: xAxis, ...view, to: x }, { axis: yAxis, low: yAxis.low, high: yAxis.high, to: y }, look);
    colourBar(pen, { left: box.left + box.width + 14, top: box.top, width: 14, height: box.height }, scale(), look);
    if (marked) cross(pen, x(figure.x[picked[1]]), y(figure.y[picked[0]]));
    if (dragged && dragged.to !== null) {
      pen.fillStyle = "rgba(128,128,128,.35)";
      pen.fillRect(Math.min(dragged.from, dragged.to), box.top, Math.abs(dragged.to - dragged.from), box.height);
    }
    say();
  }

  function cross(pen, x, y) {
    for (const [colour, thick] of [["#000000", 3], ["#ffffff", 1.2]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = thick;
      pen.beginPath();
      pen.arc(x, y, 5, 0, 7);
      pen.stroke();
    }
  }

  function say() {
    const [row, column] = picked;
    const value = at(row, column);
    const error = figure.error ? figure.error[row][column] : null;
    const own = figure.strip ? ` with ${withError(steppedRow(figure.strip)[column], null, scale())}` : "";
    const order = figure.path ? `, ${figure.path_name} ${steppedRow(figure.path)[column]}${own}` : "";
    tell(`${valueName(figure.x[column], xAxis)}, ${yAxis.label.toLowerCase()} ${valueName(figure.y[row], yAxis)}: ${withError(value, error, scale())}${order}`);
  }

  function place(event) {
    const edge = canvas.getBoundingClientRect();
    const inside = (value, low, high) => Math.max(low, Math.min(high, value));
    const x = inside(event.clientX - edge.left, box.left, box.left + box.width);
    const y = inside(event.clientY - edge.top, box.top, box.top + box.height);
    return { x, hz: unscaled(xAxis, view.low, view.high, box.left, box.left + box.width)(x), row: unscaled(yAxis, yAxis.low, yAxis.high, box.top + box.height, box.top)(y) };
  }

  function zoom(factor) {
    view = zoomed(view, xAxis, figure.x[picked[1]], factor);
    draw();
  }

  canvas.addEventListener("pointermove", (event) => {
    const { x, hz, row } = place(event);
    picked = [nearestIndex(figure.y, row, false), nearestIndex(figure.x, hz, xAxis.scale === "log")];
    if (dragged && Math.abs(x - dragged.from) > 5) {
      dragged.to = x;
      draw();
    } else say();
  });
  canvas.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse") dragged = { from: place(event).x, hz: place(event).hz, to: null };
  });
  window.addEventListener("pointerup", (event) => {
    if (dragged && dragged.to !== null) {
      const { hz } = place(event);
      view = { low: Math.min(hz, dragged.hz), high: Math.max(hz, dragged.hz) };
    }
    if (dragged) {
      dragged = null;
      draw();
    }
  });
  canvas.addEventListener("dblclick", () => zoom(0));
  canvas.addEventListener("keydown", (event) => {
    const moves = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [1, 0], ArrowDown: [-1, 0] };
    if (event.key in moves) {
      const [row, column] = moves[event.key];
      picked = [Math.max(0, Math.min(figure.y.length - 1, picked[0] + row)), Math.max(0, Math.min(figure.x.length - 1, picked[1] + column))];
      marked = true;
      draw();
    } else if ("+=".includes(event.key)) zoom(0.5);
    else if (event.key === "-") zoom(2);
    else if (event.key === "0") zoom(0);
    else return;
    event.preventDefault();
  });
  if (figure.steps) controls(figure.steps, (index) => {
    step = index;
    draw();
  });
  draw();
  return draw;
}
