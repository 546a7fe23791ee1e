// A legend of the orbits below a figure; its swatches are drawn with the figure.
function orbitLegend(figure, stage) {
  const legend = make("div", { class: "legend" });
  const swatches = figure.orbits.map((name) => {
    const swatch = make("canvas", { class: "swatch", "aria-hidden": "true" });
    legend.append(make("span", { class: "entry" }, swatch, name));
    return swatch;
  });
  stage.append(legend);
  return swatches;
}

// Levels round the device at one frequency; 0 deg is up.
function drawPolar(figure, stage, controls) {
  let picked = nearestIndex(figure.angle_deg, 0, false);
  const canvas = focusable(figure, "round", "Left and right read values.");
  stage.append(canvas);
  const swatches = orbitLegend(figure, stage);
  const tell = readOut(stage);
  const at = atFrequency(figure);
  let middle = 0;

  function draw() {
    const size = Math.min(460, Math.max(260, stage.clientWidth));
    const look = theme();
    const pen = sharpCanvas(canvas, size, size);
    middle = size / 2;
    const reach = middle - 26;
    const highest = Math.max(...figure.value.flatMap((orbit) => orbit.map((row) => row[at.step])));
    const top = Math.ceil(highest / 5) * 5;
    const to = (level, angle) => {
      const radius = (Math.max(0, Math.min(figure.span_db, level - top + figure.span_db)) / figure.span_db) * reach;
      const turn = (angle * Math.PI) / 180;
      return [middle - radius * Math.sin(turn), middle - radius * Math.cos(turn)];
    };
    rings(pen, look, top, reach, to);
    figure.orbits.forEach((_, index) => outline(pen, index, look, to));
    figure.orbits.forEach((_, index) => {
      const sample = sharpCanvas(swatches[index], 34, 10);
      stroke(sample, index, look);
      line(sample, 0, 5, 34, 5);
    });
    pen.setLineDash([]);
    pen.strokeStyle = look.ink;
    pen.lineWidth = 1.5;
    figure.orbits.forEach((_, index) => {
      const [x, y] = to(figure.value[index][picked][at.step], figure.angle_deg[picked]);
      pen.beginPath();
      pen.arc(x, y, 4, 0, 7);
      pen.stroke();
    });
    say();
  }

  function rings(pen, look, top, reach, to) {
    pen.font = FONT;
    pen.strokeStyle = look.grid;
    pen.fillStyle = look.faint;
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    for (let angle = 0; angle < 360; angle += 30) {
      line(pen, middle, middle, ...to(top, angle));
      const turn = (angle * Math.PI) / 180;
      pen.fillText(`${angle > 180 ? angle - 360 : angle}°`, middle - (reach + 14) * Math.sin(turn), middle - (reach + 14) * Math.cos(turn));
    }
    for (let level = top; level > top - figure.span_db; level -= 10) {
      pen.beginPath();
      pen.arc(middle, middle, (reach * (level - top + figure.span_db)) / figure.span_db, 0, 2 * Math.PI);
      pen.stroke();
      pen.fillText(`${level}`, ...to(level - 2, 15));
    }
  }

  function stroke(pen, index, look) {
    pen.strokeStyle = look.lines[index % look.lines.length];
    pen.lineWidth = 2.5;
    pen.setLineDash(book.dashes[index % book.dashes.length]);
  }

  function outline(pen, index, look, to) {
    const round = [...figure.angle_deg.keys(), 0];
    const level = (i, sign) => figure.value[index][i][at.step] + sign * (Number.isNaN(figure.error[index][i][at.step]) ? 0 : figure.error[index][i][at.step]);
    pen.fillStyle = look.lines[index % look.lines.length];
    pen.globalAlpha = 0.2;
    pen.beginPath();
    round.forEach((i, k) => pen[k ? "lineTo" : "moveTo"](...to(level(i, 1), figure.angle_deg[i])));
    round.reverse().forEach((i, k) => pen[k ? "lineTo" : "moveTo"](...to(level(i, -1), figure.angle_deg[i])));
    pen.fill("evenodd");
    pen.globalAlpha = 1;
    stroke(pen, index, look);
    pen.beginPath();
    round.forEach((i) => pen.lineTo(...to(level(i, 0), figure.angle_deg[i])));
    pen.stroke();
  }

  function say() {
    const levels = figure.orbits.map((name, o) => `${name} ${withError(figure.value[o][picked][at.step], figure.error[o][picked][at.step], LEVEL)}`);
    tell(`${at.name()}, ${figure.angle_deg[picked]}°: ${levels.join("; ")}${at.doubt()}`);
  }

  canvas.addEventListener("pointermove", (event) => {
    const edge = canvas.getBoundingClientRect();
    const angle = (Math.atan2(middle - (event.clientX - edge.left), middle - (event.clientY - edge.top)) * 180) / Math.PI;
    picked = nearestIndex(figure.angle_deg, angle <= -175 && figure.angle_deg[0] > -180 + 5 ? 180 : angle, false);
    draw();
  });
  canvas.addEventListener("keydown", (event) => {
    const turn = { ArrowLeft: 1, ArrowRight: -1 }[event.key];
    if (!turn) return;
    picked = (picked + turn + figure.angle_deg.length) % figure.angle_deg.length;
    draw();
    event.preventDefault();
  });
  controls(figure.steps, at.move(draw));
  draw();
  return draw;
}
// Polars of several frequencies side by side, all re the axis and to one scale.
function drawPolarSheet(figure, stage) {
  const canvas = focusable(figure, "", "Left and right turn the angle that is read, up and down choose the frequency.");
  stage.append(canvas);
  const swatches = orbitLegend(figure, stage);
  const tell = readOut(stage);
  const axis = { ...LEVEL, label: "Level re axis" };
  let picked = [0, nearestIndex(figure.angle_deg, 0, false)];
  let cells = [];

  function draw() {
    const width = Math.max(260, stage.clientWidth);
    const columns = Math.min(figure.names.length, width < 520 ? 2 : 4);
    const size = width / columns;
    const pen = sharpCanvas(canvas, width, size * Math.ceil(figure.names.length / columns) + 8);
    const look = theme();
    cells = figure.names.map((_, step) => [(step % columns) * size + size / 2, Math.floor(step / columns) * size + size / 2 + 8]);
    figure.names.forEach((name, step) => cell(pen, look, name, step, size / 2 - 36));
    figure.orbits.forEach((_, index) => {
      const sample = sharpCanvas(swatches[index], 34, 10);
      pencil(sample, index, look);
      line(sample, 0, 5, 34, 5);
    });
    say();
  }

  function pencil(pen, index, look) {
    pen.strokeStyle = look.lines[index % look.lines.length];
    pen.lineWidth = 2;
    pen.setLineDash(book.dashes[index % book.dashes.length]);
  }

  function cell(pen, look, name, step, reach) {
    const [x, y] = cells[step];
    const hz = figure.frequency_hz[step];
    const missed = figure.doubtful.some(([low, high]) => hz >= low && hz <= high);
    pen.font = FONT;
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    pen.fillStyle = look.ink;
    pen.fillText(missed ? `${name} (target missed)` : name, x, y - reach - 28);
    pen.strokeStyle = look.grid;
    pen.fillStyle = look.faint;
    pen.lineWidth = 1;
    pen.setLineDash([]);
    const radius = (level) => (Math.max(0, Math.min(figure.span_db, level - figure.top_db + figure.span_db)) / figure.span_db) * reach;
    const to = (level, angle) => [x - radius(level) * Math.sin((angle * Math.PI) / 180), y - radius(level) * Math.cos((angle * Math.PI) / 180)];
    for (let angle = 0; angle < 360; angle += 45) {
      line(pen, x, y, ...to(figure.top_db, angle));
      const [dx, dy] = [Math.sin((angle * Math.PI) / 180), Math.cos((angle * Math.PI) / 180)];
      pen.fillText(`${angle > 180 ? angle - 360 : angle}°`, x - (reach + 13) * dx, y - (reach + 11) * dy);
    }
    for (let level = Math.floor(figure.top_db / 10) * 10; level > figure.top_db - figure.span_db; level -= 10) {
      circle(pen, x, y, radius(level));
      pen.fillText(`${level}`, ...to(level - 3, 22));
    }
    pen.strokeStyle = look.mark;
    pen.setLineDash([4, 3]);
    circle(pen, x, y, radius(-6));
    figure.orbits.forEach((_, index) => {
      pencil(pen, index, look);
      pen.beginPath();
      figure.angle_deg.forEach((angle, i) => pen.lineTo(...to(figure.value[index][i][step], angle)));
      pen.closePath();
      pen.stroke();
      pen.setLineDash([]);
      if (step === picked[0]) {
        pen.beginPath();
        pen.arc(...to(figure.value[index][picked[1]][step], figure.angle_deg[picked[1]]), 4, 0, 7);
        pen.stroke();
      }
    });
  }

  function circle(pen, x, y, radius) {
    pen.beginPath();
    pen.arc(x, y, radius, 0, 2 * Math.PI);
    pen.stroke();
  }

  function say() {
    const [step, row] = picked;
    const levels = figure.orbits.map((name, o) => `${name} ${withError(figure.value[o][row][step], figure.error[o][row][step], axis)}`);
    tell(`${figure.names[step]}, ${figure.angle_deg[row]}°: ${levels.join("; ")} re axis`);
  }

  canvas.addEventListener("pointermove", (event) => {
    const edge = canvas.getBoundingClientRect();
    const [x, y] = [event.clientX - edge.left, event.clientY - edge.top];
    const away = cells.map(([cx, cy]) => Math.hypot(cx - x, cy - y));
    const step = away.indexOf(Math.min(...away));
    const angle = (Math.atan2(cells[step][0] - x, cells[step][1] - y) * 180) / Math.PI;
    picked = [step, nearestIndex(figure.angle_deg, angle, false)];
    draw();
  });
  canvas.addEventListener("keydown", (event) => {
    const moves = { ArrowLeft: [0, 1], ArrowRight: [0, -1], ArrowUp: [-1, 0], ArrowDown: [1, 0] };
    if (!(event.key in moves)) return;
    const turned = (at, by, count) => (at + by + count) % count;
    picked = [turned(picked[0], moves[event.key][0], figure.names.length), turned(picked[1], moves[event.key][1], figure.angle_deg.length)];
    draw();
    event.preventDefault();
  });
  draw();
  return draw;
}
