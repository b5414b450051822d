// What the panel answers: each demand with its margin, mass, time; quick numbers and judged ones told apart.
import { app, isJudged, onChange } from "./state.js";
import { digits, h, percent, s } from "./tools.js";
import { wordsOf } from "./sheet.js";

const answers = document.getElementById("answers"), numbers = document.getElementById("numbers"), rules = document.getElementById("rules");

/** A line with the limit at two thirds: left of it the demand is met. Over: how far the value is past the limit. */
function scaleOf(utilisation, good) {
  const at = Math.max(3, Math.min(297, 200 * utilisation)), colour = `var(--${good ? "good" : "bad"})`;
  return s("svg", { viewBox: "0 0 300 16", preserveAspectRatio: "none", "aria-hidden": "true" },
    s("line", { x1: 0, x2: 300, y1: 8, y2: 8, stroke: "var(--line)", "stroke-width": 2 }),
    s("line", { x1: 0, x2: at, y1: 8, y2: 8, stroke: colour, "stroke-width": 6 }),
    s("line", { x1: 200, x2: 200, y1: 0, y2: 16, stroke: "var(--ink)", "stroke-width": 2 }));
}

function demandRow(demand, i) {
  const judged = isJudged() ? app.judged.values[i] : null, quick = app.quick?.values?.[i];
  const shown = judged ?? quick, late = !judged && (!quick || quick.pending || app.quick.n < app.n);
  const value = shown?.value, margin = shown?.margin;
  const met = judged ? judged.met : margin !== null && margin !== undefined && margin >= 0;
  const utilisation = margin === null || margin === undefined ? 1.5 : demand.at_most ? 1 - margin : 1 / Math.max(1 + margin, 1e-6);
  const failed = app.quick?.failure || app.failure;
  const source = failed && !shown ? "" : judged ? h("span", { className: "source shell" }, "shell") : h("span", { className: "source quick" }, late ? "pending" : "quick");
  const text = value === null || value === undefined ? (shown || failed ? "not decided" : "…") : `${judged ? "" : "≈ "}${digits(value)} ${demand.unit}`;
  return h("div", { className: `demand ${late ? "pending" : ""}`, "data-demand": demand.label },
    h("div", { className: "head" }, h("span", {}, demand.label), h("b", { className: !shown ? "" : met ? "met" : "missed" }, text)),
    scaleOf(shown ? utilisation : 0, met),
    h("div", { className: "foot" }, h("span", {}, `${demand.at_most ? "≤" : "≥"} ${demand.limit} ${demand.unit}${shown?.hold && app.panel.supports.some((one) => one.in_plane === "unknown") ? `, edges ${shown.hold}` : ""}`), h("span", { className: "margin" }, margin === null || margin === undefined ? "" : percent(margin)), source));
}

function number(words, value, title = "") { return h("span", { title }, words, h("b", {}, value)); }

function drawNumbers() {
  const { bench, flat } = app;
  if (!bench) return;
  let perMinute = "…";
  if (flat && flat.kg === null) perMinute = "–";
  else if (flat) {
    const minutes = bench.minutes - flat.minutes, grams = 1000 * (flat.kg - bench.kg);
    perMinute = minutes > 0.05 ? `${digits(grams / minutes, 2)} g` : `${digits(grams, 2)} g in all`;
  }
  const beads = app.layout.beads.length, holes = app.layout.holes.length;
  numbers.replaceChildren(number("mass", `${bench.kg.toFixed(3)} kg`), number("bench", `${Math.round(bench.minutes)} min`),
    number("beads", beads), number("flared holes", holes),
    number("saved a min", perMinute, flat?.kg ? `against the ${flat.gauge} mm flat sheet that meets the demands${flat.in_rack ? "" : " (not in the rack)"}` : "against the flat sheet that meets the demands; being computed"),
    number("to measure", bench.dimensions, "distinct places, lengths, pitches and angles to measure, as in the proposals of a search"));
}

function drawState() {
  const { panel, layout, bench } = app;
  const values = isJudged() ? app.judged.values : app.quick?.values ?? [];
  const missed = panel.demands.filter((_, i) => values[i] && !(isJudged() ? values[i].met : values[i].margin >= 0)).map((one) => one.label);
  const whose = isJudged() ? "judged by the shell model" : app.quick?.failure ? "it cannot be computed" : app.failure ? "the shell could not judge it" : app.dragging ? "quick estimate" : "quick estimate, the shell is judging";
  const told = !panel.demands.length ? "nothing asked" : missed.length ? `misses ${missed.join(", ")}` : values.some(Boolean) ? "meets all demands" : "…";
  const broken = bench?.rules.length ? `; ${bench.rules.length} shop rule${bench.rules.length > 1 ? "s" : ""} broken` : "";
  document.getElementById("state").textContent = `${layout.gauge} mm ${panel.material}: ${told}${broken} (${whose})`;
}

onChange(() => {
  if (!app.panel || !app.layout) return;
  document.getElementById("name").textContent = app.panel.name;
  document.title = `${app.panel.name}: stiffen`;
  answers.replaceChildren(...app.panel.demands.map(demandRow), ...(app.quick?.failure || app.failure ? [h("p", { className: "fault" }, app.quick?.failure || app.failure)] : []));
  if (isJudged() && app.judged.warnings.length) answers.append(h("p", { className: "note" }, app.judged.warnings[0]));
  drawNumbers();
  drawState();
  const other = (app.bench?.rules ?? []).filter((rule) => rule.what.length > 64 || !rule.part);
  rules.replaceChildren(...other.slice(0, 3).map((rule) => h("li", {}, `${rule.part} ${rule.index + 1}: ${wordsOf(rule)}`)));
  document.getElementById("undo").disabled = !app.undo;
  document.getElementById("redo").disabled = !app.redo;
});
