// Brings the page to life: figures, sliders, sorting, theme, downloads. Without it everything is still there to read.
const DRAW = { Lines: drawLines, HeatMap: drawMap, Polar: drawPolar, PolarSheet: drawPolarSheet, Balloon: drawSpace, Cloud: drawSpace };
const sliders = []; // {name, input, output, steps, told}

function slider(stage, key) {
  return (steps, told) => {
    const id = `slider-${key}`;
    const input = make("input", { type: "range", id, min: "0", max: String(steps.value.length - 1), step: "1" });
    const output = make("output", { for: id });
    input.value = String(steps.start);
    const entry = { steps, input, told, show: () => {
      const value = steps.value[Number(input.value)];
      const text = steps.unit === "Hz" ? frequencyName(value) : `${value.toLocaleString("en")} ${steps.unit}`;
      output.textContent = text;
      input.setAttribute("aria-valuetext", text);
    } };
    sliders.push(entry);
    input.addEventListener("input", () => {
      const together = steps.name === "points" ? sliders.filter((other) => other.steps.name === "points") : [entry];
      for (const one of together) {
        one.input.value = input.value;
        one.show();
        one.told(Number(input.value));
      }
    });
    entry.show();
    stage.prepend(make("div", { class: "slider" }, make("label", { for: id }, steps.name), input, output));
  };
}

function enliven(element, redraws) {
  const figure = book.figures[element.dataset.figure];
  const stage = make("div", { class: "stage" });
  element.querySelector(".still").before(stage);
  element.classList.add("live");
  redraws.push(DRAW[figure.kind](figure, stage, slider(stage, figure.text.key)));
}

function sortable(table) {
  table.querySelectorAll("thead th").forEach((head, column) => {
    const button = make("button", { type: "button" }, ...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      table.querySelectorAll("th").forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const body = table.tBodies[0];
      const rows = [...body.rows].map((row, index) => ({ row, index, key: sortKey(row.cells[Math.min(column, row.cells.length - 1)]) }));
      rows.sort((a, b) => compared(a.key, b.key) * (up ? 1 : -1) || a.index - b.index);
      body.append(...rows.map(({ row }) => row));
    });
  });
}

function sortKey(cell) {
  const text = cell.dataset.value ?? cell.textContent.trim();
  const number = Number.parseFloat(text.replaceAll(",", ""));
  return Number.isNaN(number) ? text : /^[-\d.,]+k$/.test(text) ? number * 1000 : number;
}

function compared(a, b) {
  if (typeof a === "number" && typeof b === "number") return a - b;
  if (typeof a !== typeof b) return typeof a === "number" ? -1 : 1;
  return a.localeCompare(b);
}

// Specialists' figures are drawn when their fold is opened; for print every fold is.
function folded(redraws) {
  document.querySelectorAll("details.fold").forEach((fold) => {
    const inside = [...fold.querySelectorAll("[data-figure]")];
    fold.open = false;
    fold.addEventListener("toggle", () => {
      if (fold.open) inside.splice(0).forEach((element) => enliven(element, redraws));
    });
  });
  window.addEventListener("beforeprint", () => document.querySelectorAll("details.fold").forEach((fold) => { fold.open = true; }));
}

// A zip file of everything that the page carries, its entries stored as they are (the format's APPNOTE, 4.3).
async function allFiles() {
  const names = await fileNames();
  const parts = [];
  const index = [];
  let at = 0;
  for (const name of names) {
    const data = await fileBytes(name);
    const title = new TextEncoder().encode(name);
    const fields = [20, 0x800, 0, 0, 33];
    const sizes = [checksum(data), data.length, data.length];
    const head = packed([[4, 0x04034b50], ...fields.map((v) => [2, v]), ...sizes.map((v) => [4, v]), [2, title.length], [2, 0]]);
    index.push(packed([[4, 0x02014b50], [2, 20], ...fields.map((v) => [2, v]), ...sizes.map((v) => [4, v]), [2, title.length], [2, 0], [2, 0], [2, 0], [2, 0], [4, 0], [4, at]]), title);
    parts.push(head, title, data);
    at += head.length + title.length + data.length;
  }
  const length = index.reduce((sum, part) => sum + part.length, 0);
  const end = packed([[4, 0x06054b50], [2, 0], [2, 0], [2, names.length], [2, names.length], [4, length], [4, at], [2, 0]]);
  return new Uint8Array(await new Blob([...parts, ...index, end]).arrayBuffer());
}

// Numbers of 2 or 4 bytes one after another, little endian.
function packed(numbers) {
  const bytes = new Uint8Array(numbers.reduce((sum, [size]) => sum + size, 0));
  const view = new DataView(bytes.buffer);
  let at = 0;
  for (const [size, value] of numbers) {
    if (size === 2) view.setUint16(at, value, true);
    else view.setUint32(at, value >>> 0, true);
    at += size;
  }
  return bytes;
}

// CRC-32 of the zip format, polynomial 0xedb88320.
function checksum(bytes) {
  let sum = -1;
  for (const byte of bytes) {
    sum ^= byte;
    for (let bit = 0; bit < 8; bit += 1) sum = (sum >>> 1) ^ (sum & 1 ? 0xedb88320 : 0);
  }
  return ~sum >>> 0;
}

// A link into something closed opens it.
function opened() {
  const target = document.getElementById(location.hash.slice(1));
  const closed = target?.closest("details:not([open])");
  if (!closed) return;
  closed.open = true;
  target.scrollIntoView();
}

let files = null;

async function fileNames() {
  files ??= unpacked("files");
  const buffer = await files;
  const length = new DataView(buffer).getUint32(0, true);
  return Object.keys(JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length))));
}

async function fileBytes(name) {
  files ??= unpacked("files");
  const buffer = await files;
  const length = new DataView(buffer).getUint32(0, true);
  const index = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  const [at, count] = index[name];
  return new Uint8Array(buffer, 4 + length + at, count);
}

async function download(name) {
  handOut(await fileBytes(name), name.replaceAll("/", "_"), "text/csv");
}

function handOut(bytes, name, type) {
  const address = URL.createObjectURL(new Blob([bytes], { type }));
  const link = make("a", { href: address, download: name });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
}

function themed(redraws) {
  const button = document.getElementById("theme");
  const dark = () => theme().name === "dark";
  const show = () => {
    button.textContent = dark() ? "Light page" : "Dark page";
    redraws.forEach((redraw) => redraw());
  };
  button.addEventListener("click", () => {
    document.documentElement.dataset.theme = dark() ? "light" : "dark";
    show();
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", show);
  show();
}

function ready(redraws) {
  let width = document.documentElement.clientWidth;
  window.addEventListener("resize", () => {
    if (document.documentElement.clientWidth === width) return;
    width = document.documentElement.clientWidth;
    redraws.forEach((redraw) => redraw());
  });
  document.documentElement.dataset.ready = "yes";
}

async function start() {
  window.addEventListener("hashchange", opened);
  document.documentElement.classList.add("scripted");
  document.querySelectorAll("table.sortable").forEach(sortable);
  document.querySelectorAll("[data-file]").forEach((button) => button.addEventListener("click", () => download(button.dataset.file)));
  document.querySelectorAll("[data-choose]").forEach((button) => button.addEventListener("click", () => download(button.previousElementSibling.value)));
  document.getElementById("all")?.addEventListener("click", async () => handOut(await allFiles(), "all-data.zip", "application/zip"));
  if (document.getElementById("figures")) {
    book = described(await unpacked("figures"));
    const redraws = [];
    folded(redraws);
    document.querySelectorAll("[data-figure]").forEach((element) => { if (!element.closest("details.fold")) enliven(element, redraws); });
    themed(redraws);
    ready(redraws);
  } else ready([]);
}

start();
