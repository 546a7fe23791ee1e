// What all figures share: theme, numbers in words, ticks, axes on a canvas, read-outs, zoom.
let book = null; // figures, themes, dashes, map

function theme() {
  const chosen = document.documentElement.dataset.theme;
  const dark = chosen ? chosen === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  return book.themes[dark ? "dark" : "light"];
}

function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value !== null) element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

function frequencyName(hz) {
  return hz >= 999.5 ? `${Number((hz / 1000).toPrecision(3))} kHz` : `${Number(hz.toPrecision(3))} Hz`;
}

function rounded(value, digits) {
  return value.toFixed(digits).replace(/^-(0(\.0*)?)$/, "$1"); // never -0
}

function valueName(value, axis) {
  if (value === null || Number.isNaN(value)) return "–";
  if (axis.unit === "Hz") return frequencyName(value);
  const text = rounded(value, axis.digits).replace(/\B(?=(\d{3})+(?!\d))/g, axis.digits ? "" : ",");
  return axis.unit ? `${text} ${axis.unit}` : text;
}

function withError(value, error, axis) {
  if (error === null || error === undefined || value === null || Number.isNaN(value)) return valueName(value, axis);
  const least = 10 ** -axis.digits;
  const spread = Number.isNaN(error) ? "?" : error < least / 2 ? `<${least.toFixed(axis.digits)}` : error.toFixed(axis.digits);
  return `${rounded(value, axis.digits)} ± ${spread} ${axis.unit}`;
}

function axisName(axis) {
  return axis.unit ? `${axis.label} [${axis.unit}]` : axis.label;
}

function plainName(value) {
  return Number(value.toPrecision(6)).toLocaleString("en");
}

function tickName(value) {
  return Math.abs(value) >= 1000 ? `${Number((value / 1000).toPrecision(6))}k` : `${Number(value.toPrecision(6))}`;
}

// Ticks of a stretch of an axis: [place, name], the name empty for those without.
function ticks(axis, low, high, room) {
  if (axis.scale === "log") return logTicks(low, high, room);
  const steps = axis.unit === "deg" ? [5, 10, 15, 30, 60, 90] : [1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1000, 2000, 5000];
  const most = Math.max(2, Math.floor(room / (12 + 7 * Math.max(plainName(low).length, plainName(high).length))));
  let step = steps.find((size) => (high - low) / size <= most) ?? (high - low) / 4;
  if (high - low < 3) step = (high - low) / 4;
  const found = [];
  for (let i = Math.ceil(low / step - 1e-9); i * step <= high + 1e-9 * step; i += 1) found.push([i * step, plainName(i * step)]);
  return found;
}

function logTicks(low, high, room) {
  const found = [];
  const decades = Math.log10(high / low);
  const digits = room / decades < 75 ? "1" : room / decades > 700 || decades < 0.5 ? "123456789" : "125";
  for (let decade = Math.floor(Math.log10(low)); decade <= Math.log10(high); decade += 1) {
    for (let digit = 1; digit < 10; digit += 1) {
      const place = digit * 10 ** decade;
      if (place >= low * (1 - 1e-9) && place <= high * (1 + 1e-9)) {
        found.push([place, digits.includes(String(digit)) ? tickName(Number(place.toPrecision(3))) : ""]);
      }
    }
  }
  return found;
}

function scaled(axis, low, high, from, to) {
  if (axis.scale !== "log") return (value) => from + ((value - low) / (high - low)) * (to - from);
  const start = Math.log(low);
  const width = Math.log(high) - start;
  return (value) => from + ((Math.log(value) - start) / width) * (to - from);
}

function unscaled(axis, low, high, from, to) {
  return (place) => {
    const share = (place - from) / (to - from);
    return axis.scale === "log" ? low * (high / low) ** share : low + share * (high - low);
  };
}

function nearestIndex(values, wanted, log) {
  let best = 0;
  const far = (value) => Math.abs(log ? Math.log(value / wanted) : value - wanted);
  for (let i = 1; i < values.length; i += 1) if (far(values[i]) < far(values[best])) best = i;
  return best;
}

// A canvas as sharp as the screen, and its context scaled to CSS pixels.
function sharpCanvas(canvas, width, height) {
  const ratio = window.devicePixelRatio || 1;
  canvas.width = Math.round(width * ratio);
  canvas.height = Math.round(height * ratio);
  canvas.style.width = `${width}px`;
  canvas.style.height = `${height}px`;
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  return pen;
}

const FONT = '12px system-ui, "Segoe UI", "DejaVu Sans", sans-serif';

function frame(pen, box, x, y, look) {
  pen.font = FONT;
  pen.strokeStyle = look.faint;
  pen.fillStyle = look.ink;
  pen.lineWidth = 1;
  pen.strokeRect(box.left + 0.5, box.top + 0.5, box.width, box.height);
  pen.textAlign = "center";
  pen.textBaseline = "top";
  let free = -Infinity;
  for (const [place, name] of ticks(x.axis, x.low, x.high, box.width)) {
    const at = x.to(place);
    line(pen, at, box.top + box.height, at, box.top + box.height + (name ? 6 : 3));
    const half = pen.measureText(name).width / 2 + 3;
    if (name && at - half > free) {
      pen.fillText(name, at, box.top + box.height + 8);
      free = at + half;
    }
  }
  pen.fillText(axisName(x.axis), box.left + box.width / 2, box.top + box.height + 24);
  pen.textAlign = "right";
  pen.textBaseline = "middle";
  for (const [place, name] of ticks(y.axis, y.low, y.high, box.height)) {
    line(pen, box.left - 5, y.to(place), box.left, y.to(place));
    pen.fillText(name, box.left - 8, y.to(place));
  }
  upright(pen, axisName(y.axis), 9, box.top + box.height / 2);
}

function upright(pen, text, x, y) {
  pen.save();
  pen.translate(x, y);
  pen.rotate(-Math.PI / 2);
  pen.textAlign = "center";
  pen.textBaseline = "middle";
  pen.fillText(text, 0, 0);
  pen.restore();
}

function line(pen, x0, y0, x1, y1) {
  pen.beginPath();
  pen.moveTo(x0, y0);
  pen.lineTo(x1, y1);
  pen.stroke();
}

// Oblique strokes over stretches where the target is missed.
function hatch(pen, box, spans, to, look, ratio = 1) {
  pen.save();
  pen.strokeStyle = look.faint;
  pen.lineWidth = ratio;
  pen.globalAlpha = 0.55;
  for (const [low, high] of spans) {
    const left = Math.max(to(low), box.left);
    const right = Math.min(to(high), box.left + box.width);
    if (right <= left) continue;
    pen.save();
    pen.beginPath();
    pen.rect(left, box.top, right - left, box.height);
    pen.clip();
    pen.beginPath();
    for (let at = left - box.height; at < right; at += 9 * ratio) {
      pen.moveTo(at, box.top + box.height);
      pen.lineTo(at + box.height, box.top);
    }
    pen.stroke();
    pen.restore();
  }
  pen.restore();
}

function shade(value, low, high) {
  const at = Math.max(0, Math.min(255, Math.round(((value - low) / (high - low)) * 255))) * 3;
  return [book.map[at], book.map[at + 1], book.map[at + 2]];
}

function colourBar(pen, box, axis, look) {
  for (let i = 0; i < box.height; i += 1) {
    pen.fillStyle = `rgb(${shade(1 - i / (box.height - 1), 0, 1).join(",")})`;
    pen.fillRect(box.left, box.top + i, box.width, 1.5);
  }
  pen.font = FONT;
  pen.fillStyle = look.ink;
  pen.strokeStyle = look.faint;
  pen.strokeRect(box.left + 0.5, box.top + 0.5, box.width, box.height);
  pen.textAlign = "left";
  pen.textBaseline = "middle";
  const to = scaled(axis, axis.low, axis.high, box.top + box.height, box.top);
  for (const [place, name] of ticks({ ...axis, scale: "linear" }, axis.low, axis.high, box.height)) {
    line(pen, box.left + box.width, to(place), box.left + box.width + 4, to(place));
    pen.fillText(name, box.left + box.width + 6, to(place));
  }
  upright(pen, axisName(axis), box.left + box.width + 40, box.top + box.height / 2);
}

// The part of a figure that reads values out; `tell` takes text.
function readOut(stage) {
  const place = make("output", { class: "readout", "aria-live": "polite" });
  stage.append(place);
  return (text) => {
    place.textContent = text;
  };
}

// Zoom buttons; `move(factor)` narrows or widens, `move(0)` shows all.
function zoomButtons(bar, move) {
  bar.append(make("span", { class: "space" }));
  for (const [name, word, factor] of [["+", "Zoom in", 0.5], ["−", "Zoom out", 2], ["⤢", "Show all", 0]]) {
    bar.append(make("button", { type: "button", class: "small", "aria-label": word, title: word, onclick: () => move(factor) }, name));
  }
}

// Two buttons: levels re the axis or absolute, the one shown first.
function levelChoice(figure, relative, choose) {
  const options = [relative, !relative].map((value) => {
    const input = make("input", { type: "radio", name: `kind-${figure.text.key}`, onchange: () => choose(value) });
    input.checked = value === relative;
    return make("label", {}, input, value ? "re axis" : "absolute");
  });
  return make("span", { class: "choice", role: "radiogroup", "aria-label": "Level shown" }, ...options);
}

function zoomed(view, axis, middle, factor) {
  if (!factor) return { low: axis.low, high: axis.high };
  const log = axis.scale === "log";
  const [low, high, at, first, last] = [view.low, view.high, middle, axis.low, axis.high].map((v) => (log ? Math.log(v) : v));
  const width = Math.min((high - low) * factor, last - first);
  const start = Math.max(first, Math.min(last - width, at - ((at - low) / (high - low)) * width));
  const back = (v) => (log ? Math.exp(v) : v);
  return { low: back(start), high: back(start + width) };
}

const LEVEL = { label: "Level re 20 µPa at 1 m, 2.83 V", unit: "dB", digits: 1 };

// A canvas that takes the keyboard and says what it shows.
function focusable(figure, kind, keys) {
  return make("canvas", { class: `plot ${kind}`, tabindex: "0", role: "group", "aria-label": `${figure.text.title}. ${figure.text.finding} ${keys}` });
}

// The frequency that a figure's slider stands at, and whether the target is missed there.
function atFrequency(figure) {
  const at = { step: figure.steps.start };
  const hz = () => figure.steps.value[at.step];
  at.name = () => frequencyName(hz());
  at.doubt = () => (figure.doubtful.some(([low, high]) => hz() >= low && hz() <= high) ? " (the target is missed here)" : "");
  at.move = (draw) => (index) => {
    at.step = index;
    draw();
  };
  return at;
}
