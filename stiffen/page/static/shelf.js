// Layouts kept side by side, and two of them compared by curve and map.
import { app, isJudged, onChange } from "./state.js";
import { boxOf, digits, h, pathOf, percent, s } from "./tools.js";
import { tell } from "./link.js";
import { shapesOf } from "./sheet.js";
import { drawField, shownField } from "./field.js";

const shelf = document.getElementById("shelf");
const dark = matchMedia("(prefers-color-scheme: dark)");
let marked = [], drawnKey = "";

/** A small picture of a layout. */
export function pictureOf(layout) {
  const box = boxOf(app.panel.outline), w = box.x1 - box.x0, k = box.y1 - box.y0, px = Math.max(w, k) / 90;
  return s("svg", { viewBox: `${box.x0 - 5} ${-box.y1 - 5} ${w + 10} ${k + 10}`, "aria-hidden": "true" },
    s("path", { class: "metal", d: [app.panel.outline, ...app.panel.cutouts].map((ring) => pathOf(ring, true)).join(""), "stroke-width": px }),
    ...[...layout.beads, ...layout.holes].map((part) => s("g", { class: part.side }, ...shapesOf(part, px))));
}

function least(values) {
  const margins = (values ?? []).map((one) => one?.margin).filter((one) => one !== null && one !== undefined);
  return margins.length ? Math.min(...margins) : null;
}

function card(kept, index) {
  const judged = kept.verdict, margin = least(judged?.values ?? kept.values);
  const mark = h("button", { title: "compare two", "aria-pressed": String(marked.includes(index)), onclick: () => {
    marked = marked.includes(index) ? marked.filter((one) => one !== index) : [...marked, index].slice(-2);
    drawnKey = "";
    draw();
  } }, "compare");
  return h("div", { className: "card" }, pictureOf(kept.layout), h("div", {},
    h("div", {}, `${kept.layout.gauge} mm, ${kept.kg.toFixed(3)} kg, ${Math.round(kept.minutes)} min`),
    h("div", {}, margin === null ? "no margin yet" : `least margin ${judged ? "" : "≈ "}${percent(margin)}${judged ? ", shell" : ", quick"}`),
    h("div", { className: "row" }, h("button", { onclick: () => tell("swap", { index }) }, "use"), mark, h("button", { title: "take it off the shelf", onclick: () => tell("drop", { index }) }, "drop"))));
}

/** Two load-deflection curves of one case in one diagram. */
function curves(case_, two) {
  const all = two.flatMap(({ fields }) => fields?.curves[case_]?.[1] ?? []), loads = two.flatMap(({ fields }) => fields?.curves[case_]?.[0] ?? []);
  if (!all.length) return null;
  const most = Math.max(...all), high = Math.max(...loads), x = (v) => 30 + (v / most) * 255, y = (v) => 112 - (v / high) * 100;
  const lines = two.map(({ fields, colour, dash }) => fields?.curves[case_] && s("path", { fill: "none", stroke: colour, "stroke-width": 2, "stroke-dasharray": dash, d: `M${fields.curves[case_][1].map((w, i) => `${x(w).toFixed(1)} ${y(fields.curves[case_][0][i]).toFixed(1)}`).join("L")}` })).filter(Boolean);
  const words = (place, anchor, told) => s("text", { ...place, "text-anchor": anchor, "font-size": 10, fill: "var(--ink)" }, told);
  return s("svg", { viewBox: "0 0 300 140" }, s("path", { d: "M30 8V112H290", fill: "none", stroke: "var(--faint)" }), ...lines,
    words({ x: 26, y: y(1) + 3 }, "end", "1"), words({ x: 26, y: 115 }, "end", "0"), words({ x: 288, y: 126 }, "end", `${digits(most)} mm`), words({ x: 30, y: 137 }, "start", `${case_}: load factor over largest deflection`));
}

function fieldCanvas(field, most) {
  const target = h("canvas", { width: 280, height: 200 }), box = boxOf(app.panel.outline);
  const scale = Math.min(270 / (box.x1 - box.x0), 190 / (box.y1 - box.y0));
  drawField(target, field, ([x, y]) => [140 + scale * (x - (box.x0 + box.x1) / 2), 100 - scale * (y - (box.y0 + box.y1) / 2)], most, true);
  return target;
}

function comparison() {
  const two = marked.map((index, i) => ({ kept: app.kept[index], fields: app.fields[app.kept[index]?.key], colour: `var(--${i ? "down" : "up"})`, dash: i ? "6 4" : "none" }));
  if (two.length < 2 || two.some((one) => !one.kept)) return h("p", { className: "note" }, "Mark two layouts to compare them.");
  if (two.some((one) => !one.fields)) return h("p", { className: "note" }, "The shell has not judged both since the page was opened: use each once.");
  const fields = two.map((one) => shownField(one.kept.key)), most = Math.max(...fields.flatMap((field) => field?.values.reduce((a, b) => Math.max(a, b), 0) ?? 0));
  const heads = two.map(({ kept, colour }, i) => { const head = h("b", {}, `${i ? "B" : "A"}: ${kept.kg.toFixed(3)} kg`); head.style.color = colour; return head; });
  const rows = app.panel.demands.map((demand, i) => h("div", {}, `${demand.label}: ${two.map(({ kept }) => digits(kept.verdict?.values[i].value)).join(" / ")} ${demand.unit}`));
  return h("div", { id: "compare" }, h("div", { className: "pair" }, ...heads, ...(fields.every(Boolean) ? fields.map((field) => fieldCanvas(field, most)) : [])),
    ...(fields.every(Boolean) ? [h("p", { className: "note" }, `${app.view.map === "softness" ? "softness" : `deflection ${app.view.case}`}: darkest ${digits(most)} ${fields[0].unit} in both`)] : []), ...rows,
    ...Object.keys(two[0].fields.curves).map((case_) => curves(case_, two)).filter(Boolean));
}

function draw() {
  const keep = h("button", { id: "keep", className: "main", onclick: () => tell("keep", { values: app.quick?.n === app.n ? app.quick.values : null }) }, "keep this layout");
  shelf.replaceChildren(h("div", { className: "row" }, keep), ...app.kept.map(card), ...(app.kept.length > 1 ? [comparison()] : []));
}
onChange(() => {
  if (!app.panel || !document.getElementById("shelf-part").open) return;
  const key = JSON.stringify([app.kept.map((one) => one.key), marked, app.view, app.kept.map((one) => Boolean(app.fields[one.key])), isJudged(), dark.matches]);
  if (key !== drawnKey) { drawnKey = key; draw(); }
});
document.getElementById("shelf-part").addEventListener("toggle", () => { drawnKey = ""; if (app.panel) draw(); });
