// Search from the page, and the folder of bench files.
import { app, onChange } from "./state.js";
import { counted, digits, h } from "./tools.js";
import { tell } from "./link.js";

const search = document.getElementById("search"), write = document.getElementById("write");
const effort = h("select", {}, ...["quick", "normal", "thorough"].map((one) => h("option", { value: one }, one)));
const oneGauge = h("input", { type: "checkbox", id: "one-gauge", checked: true });
const start = h("button", { id: "start", className: "main", onclick: () => tell("search", { effort: effort.value, one_gauge: oneGauge.checked }) }, "search");
const stop = h("button", { id: "stop", onclick: () => tell("stop") }, "stop");
const found = h("div"), take = h("button", { id: "take", className: "main", onclick: () => tell("take") }, "keep it"), discard = h("button", { id: "discard", onclick: () => tell("discard") }, "discard");
search.replaceChildren(h("p", { className: "note" }, "Frozen beads and holes stay; the search finds the rest. Its best so far lies on the sheet in broken lines."),
  h("div", { className: "row" }, h("label", {}, "effort"), effort), h("div", { className: "row" }, oneGauge, h("label", { htmlFor: "one-gauge" }, "in this gauge only")),
  h("div", { className: "row" }, start, stop), found, h("div", { className: "row" }, take, discard));

const folder = h("input", { type: "text", value: "bench", "aria-label": "folder" }), paper = h("select", { "aria-label": "paper" }, ...["a4", "letter", "roll"].map((one) => h("option", { value: one }, one)));
const go = h("button", { id: "write-go", className: "main", onclick: () => tell("write", { folder: folder.value, paper: paper.value }) }, "write the folder");
const written = h("div");
write.replaceChildren(h("p", { className: "note" }, "Writes layout, drawing, templates, card and report into a folder beside the panel file. The shell judges it first."),
  h("div", { className: "row" }, h("label", {}, "folder"), folder), h("div", { className: "row" }, h("label", {}, "paper"), paper), h("div", { className: "row" }, go), written);

const PRINTED = { "card.pdf": "card, to print", "template.pdf": "template 1:1, to print", "template_back.pdf": "back template 1:1", "report.html": "report", "marking.dxf": "drawing" };
let known = null;
onChange(() => {
  const { on, found: best, message, why } = app.search;
  start.disabled = on; stop.disabled = !on; take.hidden = discard.hidden = !best;
  const lines = [];
  if (on) lines.push(h("p", { className: "note" }, `searching: ${message ?? ""}`));
  if (best) lines.push(h("p", {}, `${on ? "best so far" : "found"}: ${best.layout.gauge} mm, ${digits(best.verdict.kg)} kg, ${counted(best.layout.beads.length, "bead")}, ${counted(best.layout.holes.length, "flared hole")}, ${Math.round(best.minutes)} min; ${best.verdict.met ? "meets all demands" : "does not meet all demands"}, judged by the shell`));
  if (why) lines.push(h("p", { className: "note" }, why));
  found.replaceChildren(...lines);
  if (app.panel && known !== app.panel.file) { known = app.panel.file; folder.value = `${known.replace(/\.toml$/, "")}_bench`; }
  go.disabled = app.written?.under;
  const links = (app.written?.files ?? []).filter((name) => PRINTED[name]).map((name) => h("p", {}, h("a", { href: `written/${name}`, target: "_blank", rel: "noopener" }, PRINTED[name])));
  written.replaceChildren(...(app.written?.under ? [h("p", { className: "note" }, "writing …")] : []), ...(links.length ? [h("p", {}, `written into ${app.written.folder}:`), ...links, h("p", { className: "note" }, "Print at 100 %, and measure the page's check length before you trust it.")] : []));
});
