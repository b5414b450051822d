// The strip of values (sheet, hold, loads, limits) and the panel file's text, with faults beside the lines.
import { app, changed, onChange } from "./state.js";
import { h } from "./tools.js";
import { tell, tellLayout } from "./link.js";

const values = document.getElementById("values"), text = document.getElementById("text");
let drawn = null, editor = null;

function field(words, value, path, attributes = {}) {
  const input = h("input", { type: "number", step: "any", value, ...attributes, onchange: () => {
    const next = Number(input.value);
    if (input.value !== "" && Number.isFinite(next)) tell("set", { path, value: next });
  } });
  return h("div", { className: "row" }, h("label", {}, words), input);
}

function choice(words, value, options, path) {
  const pick = h("select", { onchange: () => tell("set", { path, value: pick.value }) }, ...options.map((one) => h("option", { value: one }, one)));
  pick.value = value;
  return h("div", { className: "row" }, h("label", {}, words), pick);
}

function drawValues() {
  const { panel } = app, gauge = h("select", { id: "gauge", onchange: () => { app.layout.gauge = Number(gauge.value); tellLayout("release", "gauge"); } },
    ...panel.gauges.map((one) => h("option", { value: one }, `${one} mm`)));
  const rows = [h("div", { className: "row" }, h("label", {}, "gauge"), gauge)];
  panel.supports.forEach((one, i) => {
    if (one.slip === null) rows.push(choice(`${one.kind} ${i + 1} in plane`, one.in_plane, ["held", "free", "unknown"], ["support", i, "in_plane"]));
    rows.push(choice(`${one.kind} ${i + 1} hold`, one.hold, ["pinned", "clamped", "guided"], ["support", i, "hold"]));
  });
  panel.loads.forEach((one, i) => {
    if (one.kind !== "inertia") rows.push(field(`${one.case}: ${one.kind}, ${{ pressure: "MPa", patch: "N", line: "N/mm" }[one.kind] ?? ""}`, one.value, ["load", i, "value"]));
  });
  panel.demands.forEach((one, i) => rows.push(field(`${one.label} ${one.at_most ? "at most" : "at least"}, ${one.unit}`, one.limit, ["demand", i, "limit"])));
  values.replaceChildren(...rows, h("p", { className: "note" }, "Values of a drawing's marks are changed in the drawing."));
  return gauge;
}

/** The editor of the file's text. */
function buildEditor() {
  const lines = h("pre", { "aria-hidden": "true" }), area = h("textarea", { spellcheck: false, wrap: "off", "aria-label": "text of the panel file" });
  const faults = h("div", { role: "alert" });
  let timer = 0;
  area.addEventListener("input", () => { clearTimeout(timer); timer = setTimeout(() => tell("text", { text: area.value }), 500); number([]); });
  const number = (rows) => {
    const count = area.value.split("\n").length, faulty = new Set(rows.map((row) => row.line));
    lines.replaceChildren(...Array.from({ length: count }, (_, i) => h("div", { className: faulty.has(i + 1) ? "faulty" : "" }, String(i + 1))));
    area.style.height = `${count * 17 + 10}px`;
    area.style.width = `${Math.max(30, ...area.value.split("\n").map((line) => line.length)) + 3}ch`;
  };
  const save = h("button", { onclick: () => tell("save") }, "save the file");
  text.replaceChildren(h("div", { id: "editor" }, lines, area), faults, h("div", { className: "row" }, save),
    h("p", { className: "note" }, "Changes count at once and are in the draft; saving writes them into the file, comments and all."));
  return { area, number, faults, lines };
}

/** Show faults beside the lines of the text. */
export function showFaults(rows, whole) {
  if (editor && whole === editor.area.value) editor.number(rows);
  const told = rows.slice(0, 12).map((row) => h("p", { className: "fault" }, `${row.line ? `line ${row.line}: ` : ""}${row.where.startsWith("line ") ? "" : `${row.where} `}${row.what}${row.cure ? ` (${row.cure})` : ""}`));
  editor?.faults.replaceChildren(...told);
  if (rows.length && !document.getElementById("text-part").open) {
    document.getElementById("values").querySelectorAll(".fault").forEach((one) => one.remove());
    values.prepend(...told.map((one) => one.cloneNode(true)));
  }
}

let gaugePick = null;
onChange(() => {
  if (!app.panel || !app.layout) return;
  editor ??= buildEditor();
  if (drawn !== app.panel) {
    drawn = app.panel;
    gaugePick = drawValues();
    if (editor.area.value !== app.text && document.activeElement !== editor.area) editor.area.value = app.text;
    editor.number([]);
    editor.faults.replaceChildren();
  }
  gaugePick.value = String(app.layout.gauge);
});
document.getElementById("text-part").addEventListener("toggle", () => changed());
