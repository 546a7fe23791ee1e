// Brings the page to life: figures, sliders, sorting, theme, downloads. Without it everything is still there to read.
const DRAW = { Lines: drawLines, HeatMap: drawMap, Polar: drawPolar, Balloon: drawSpace, Cloud: drawSpace };
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

let files = null;

async function fileBytes(name) {
  files ??= unpacked("files");
  const buffer = await files;
  const length = new DataView(buffer).getUint32(0, true);
  const index = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 4, length)));
  const [at, count] = index[name];
  return new Uint8Array(buffer, 4 + length + at, count);
}

async function download(name) {
  const address = URL.createObjectURL(new Blob([await fileBytes(name)], { type: "text/csv" }));
  const link = make("a", { href: address, download: name.replaceAll("/", "_") });
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
  document.documentElement.classList.add("scripted");
  document.querySelectorAll("table.sortable").forEach(sortable);
  document.querySelectorAll("[data-file]").forEach((button) => button.addEventListener("click", () => download(button.dataset.file)));
  document.querySelectorAll("[data-choose]").forEach((button) => button.addEventListener("click", () => download(button.previousElementSibling.value)));
  if (document.getElementById("figures")) {
    book = described(await unpacked("figures"));
    const redraws = [];
    document.querySelectorAll("[data-figure]").forEach((element) => enliven(element, redraws));
    themed(redraws);
    ready(redraws);
  } else ready([]);
}

start();
