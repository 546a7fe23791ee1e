// Balloon and cloud of points: turned by mouse, finger or arrow keys, drawn back to front without WebGL.
function drawSpace(figure, stage, controls) {
  const balloon = figure.kind === "Balloon";
  const at = atFrequency(figure);
  let turn = { about: -0.75, up: 0.38 };
  let near = 1;
  let held = null;
  let tapped = [0, 0];
  let items = [];
  let picked = null;
  const bar = make("div", { class: "bar" });
  zoomButtons(bar, (factor) => {
    near = factor ? Math.max(0.5, Math.min(6, near / factor)) : 1;
    if (!factor) turn = { about: -0.75, up: 0.38 };
    draw();
  });
  const canvas = focusable(figure, "turn", "Arrow keys turn it, plus and minus zoom, 0 goes back.");
  stage.append(bar, canvas);
  const tell = readOut(stage);
  const reach = balloon ? 1 : Math.max(...figure.position_m.map((p) => Math.hypot(...p)));
  const colourAxis = balloon ? LEVEL : figure.colour_axis;

  // Screen x, y and depth (larger is nearer) of a point whose reach is 1.
  function seen(x, y, z) {
    const [ca, sa, cu, su] = [Math.cos(turn.about), Math.sin(turn.about), Math.cos(turn.up), Math.sin(turn.up)];
    const away = x * ca - y * sa;
    const across = x * sa + y * ca;
    return [across, away * su - z * cu, away * cu + z * su];
  }

  function top() {
    return Math.ceil(Math.max(...figure.value.flatMap((row) => row.map((values) => values[at.step]))));
  }

  // Radius of the balloon along a positive axis.
  function radiusAlong(name, highest) {
    const i = name === "z" ? 0 : nearestIndex(figure.polar_deg, 90, false);
    const j = name === "y" ? nearestIndex(figure.azimuth_deg, 90, false) : 0;
    return Math.max(0, Math.min(1, 1 + (figure.value[i][j][at.step] - highest) / figure.span_db));
  }

  function faces(scale) {
    const highest = scale.high;
    const polar = Array.from(figure.polar_deg, (deg) => (deg * Math.PI) / 180);
    const azimuth = Array.from(figure.azimuth_deg, (deg) => (deg * Math.PI) / 180);
    const place = (i, j) => {
      const radius = Math.max(0.02, Math.min(1, 1 + (figure.value[i][j][at.step] - highest) / figure.span_db));
      return seen(radius * Math.sin(polar[i]) * Math.cos(azimuth[j]), radius * Math.sin(polar[i]) * Math.sin(azimuth[j]), radius * Math.cos(polar[i]));
    };
    const corners = polar.map((_, i) => azimuth.map((_, j) => place(i, j)));
    const found = [];
    for (let i = 0; i + 1 < polar.length; i += 1) {
      for (let j = 0; j < azimuth.length; j += 1) {
        const k = (j + 1) % azimuth.length;
        const shape = [corners[i][j], corners[i][k], corners[i + 1][k], corners[i + 1][j]];
        const value = (figure.value[i][j][at.step] + figure.value[i + 1][k][at.step]) / 2;
        found.push({ shape, value, depth: (shape[0][2] + shape[1][2] + shape[2][2] + shape[3][2]) / 4, at: [i, j] });
      }
    }
    return found;
  }

  function dots() {
    return figure.position_m.map((p, index) => {
      const place = seen(p[0] / reach, p[1] / reach, p[2] / reach);
      return { shape: [place], value: figure.value[index][at.step], depth: place[2], at: index };
    });
  }

  function draw() {
    const width = Math.max(260, stage.clientWidth);
    const height = Math.min(460, Math.max(300, width * 0.55));
    const look = theme();
    const pen = sharpCanvas(canvas, width, height);
    const centre = [(width - 80) / 2, height / 2];
    const size = (Math.min(width - 80, height) / 2 - 34) * near;
    const to = ([x, y]) => [centre[0] + size * x, centre[1] + size * y];
    const scale = balloon ? { ...colourAxis, low: top() - figure.span_db, high: top() } : colourAxis;
    items = (balloon ? faces(scale) : dots()).sort((a, b) => a.depth - b.depth);
    const axes = [["x", 1.12, 0, 0], ["y", 0, 1.12, 0], ["z", 0, 0, 1.12]].map(([name, ...p]) => {
      const end = seen(...p);
      return { name, end, from: balloon && end[2] >= 0 ? radiusAlong(name, scale.high) : 0 };
    });
    for (const axis of axes.filter((one) => one.end[2] < 0)) arrow(pen, axis, to, look);
    for (const item of items) {
      item.shape = item.shape.map(to);
      paint(pen, item, scale, look);
    }
    for (const axis of axes.filter((one) => one.end[2] >= 0)) arrow(pen, axis, to, look);
    colourBar(pen, { left: width - 72, top: 20, width: 14, height: height - 40 }, scale, look);
    say(scale);
  }

  function paint(pen, item, scale, look) {
    const known = !Number.isNaN(item.value);
    const [r, g, b] = known ? shade(item.value, scale.low, scale.high) : [128, 128, 128];
    const light = balloon ? 0.82 + 0.18 * Math.max(-1, Math.min(1, item.depth)) : 1;
    pen.fillStyle = `rgb(${Math.round(r * light)},${Math.round(g * light)},${Math.round(b * light)})`;
    pen.beginPath();
    if (item.shape.length === 1) {
      const strong = known && item.value > scale.high * 0.6;
      pen.arc(...item.shape[0], (strong ? 5 : 3.4) * Math.sqrt(near) * (0.85 + 0.25 * item.depth), 0, 7);
      pen.globalAlpha = item.depth < 0 && !strong ? 0.45 : 1;
    } else {
      item.shape.forEach((corner) => pen.lineTo(...corner));
      pen.closePath();
      pen.strokeStyle = pen.fillStyle;
      pen.lineWidth = 0.8;
      pen.stroke();
    }
    pen.fill();
    if (item.shape.length > 1) {
      pen.strokeStyle = "rgba(0,0,0,.4)";
      if (item.at[0] % 3 === 0) line(pen, ...item.shape[0], ...item.shape[1]);
      if (item.at[1] % 3 === 0) line(pen, ...item.shape[0], ...item.shape[3]);
    }
    if (item.shape.length === 1) {
      pen.strokeStyle = look.faint;
      pen.lineWidth = 0.4;
      pen.stroke();
      pen.globalAlpha = 1;
    }
  }

  function arrow(pen, axis, to, look) {
    const end = to(axis.end);
    pen.strokeStyle = pen.fillStyle = axis.name === "x" ? look.mark : look.faint;
    pen.lineWidth = axis.name === "x" ? 2 : 1;
    const start = axis.from / 1.12;
    line(pen, ...to([axis.end[0] * start, axis.end[1] * start]), ...end);
    pen.font = FONT;
    pen.textAlign = "center";
    pen.fillText({ x: "x, axis", y: "y, left", z: "z, up" }[axis.name], end[0], end[1] - 8);
  }

  function say(scale) {
    const hz = at.name();
    const doubt = at.doubt();
    if (picked === null) {
      tell(`${hz}${doubt}`);
    } else if (balloon) {
      const [i, j] = picked;
      const from = figure.azimuth_deg[j] > 180 ? figure.azimuth_deg[j] - 360 : figure.azimuth_deg[j];
      tell(`${hz}, ${from}° to the left, ${90 - figure.polar_deg[i]}° up: ${withError(figure.value[i][j][at.step], figure.error[i][j][at.step], scale)}${doubt}`);
    } else {
      const [x, y, z] = Array.from(figure.position_m[picked], (metres) => metres.toFixed(3));
      tell(`${hz}, point ${figure.names[picked]} at x ${x}, y ${y}, z ${z} m: ${valueName(figure.value[picked][at.step], figure.colour_axis)}${doubt}`);
    }
  }

  function pick(event) {
    const edge = canvas.getBoundingClientRect();
    const [x, y] = [event.clientX - edge.left, event.clientY - edge.top];
    let best = null;
    let nearest = 14;
    for (const item of items) {
      const middle = [0, 1].map((k) => item.shape.reduce((sum, corner) => sum + corner[k], 0) / item.shape.length);
      const away = Math.hypot(middle[0] - x, middle[1] - y);
      if (away < nearest || (best && away < 9 && item.depth > best.depth)) {
        nearest = Math.min(nearest, away);
        best = item;
      }
    }
    picked = best ? best.at : picked;
  }

  function rotate(about, up) {
    turn = { about: turn.about + about, up: Math.max(-1.5, Math.min(1.5, turn.up + up)) };
    draw();
  }

  canvas.addEventListener("pointerdown", (event) => {
    held = [event.clientX, event.clientY];
    tapped = held;
    canvas.setPointerCapture(event.pointerId);
  });
  canvas.addEventListener("pointermove", (event) => {
    if (held) {
      rotate((held[0] - event.clientX) * -0.01, (event.clientY - held[1]) * 0.01);
      held = [event.clientX, event.clientY];
    } else {
      pick(event);
      draw();
    }
  });
  // A finger cannot hover: where it goes down and up again, it reads.
  canvas.addEventListener("pointerup", (event) => {
    if (Math.hypot(event.clientX - tapped[0], event.clientY - tapped[1]) > 6) return;
    pick(event);
    draw();
  });
  for (const kind of ["pointerup", "pointercancel"]) canvas.addEventListener(kind, () => { held = null; });
  canvas.addEventListener("keydown", (event) => {
    const turns = { ArrowLeft: [-0.12, 0], ArrowRight: [0.12, 0], ArrowUp: [0, 0.12], ArrowDown: [0, -0.12] };
    if (event.key in turns) rotate(...turns[event.key]);
    else if ("+=".includes(event.key)) near = Math.min(6, near * 1.25);
    else if (event.key === "-") near = Math.max(0.5, near / 1.25);
    else if (event.key === "0") [near, turn] = [1, { about: -0.75, up: 0.38 }];
    else return;
    draw();
    event.preventDefault();
  });
  controls(figure.steps, at.move(draw));
  draw();
  return draw;
}
