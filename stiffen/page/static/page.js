// Ties the parts of the page together: what each message of the server changes.
import { app, changed } from "./state.js";
import { connect, speeds, tell, tellLayout } from "./link.js";
import { h } from "./tools.js";
import { forgetMeshes, takeMesh } from "./field.js";
import { redrawGround } from "./sheet.js";
import "./pointer.js";
import "./rack.js";
import "./answers.js";
import { showFaults } from "./values.js";
import "./shelf.js";
import "./bench.js";

const banner = document.getElementById("banner"), hint = document.getElementById("hint");
const same = (a, b) => JSON.stringify([a.gauge, a.beads, a.holes]) === JSON.stringify([b.gauge, b.beads, b.holes]);

function tellUser(words, ...buttons) {
  const close = h("button", { onclick: () => { banner.hidden = true; } }, "close");
  banner.replaceChildren(h("span", {}, words), ...buttons, close);
  banner.hidden = false;
}

const takes = {
  panel(message) {
    app.panel = message;
    app.text = message.text;
    app.quick = app.judged = app.flat = app.lastMap = null;
    app.fields = {};
    if (!app.view.case || !message.cases.includes(app.view.case))
      app.view = message.cases.length ? { map: "deflection", case: (message.demands.find((one) => one.kind === "deflection") ?? message.demands.find((one) => one.case))?.case ?? message.cases[0] } : { map: "softness", case: null };
    forgetMeshes();
    redrawGround();
    app.asks = true;
    if (banner.dataset.about === "link") banner.hidden = true;
  },
  layout(message) {
    app.undo = message.undo;
    app.redo = message.redo;
    app.waiting = Math.max(0, app.waiting - 1);
    app.key = message.key;
    const differs = !app.layout || !same(app.layout, message.layout);
    if (app.dragging || app.waiting) return;
    if (!differs && !app.asks) return;
    app.layout = message.layout;
    app.chosen = app.chosen.filter(({ part, index }) => app.layout[part][index]);
    app.asks = false;
    if (message.note) hint.textContent = message.note;
    tellLayout("move");
  },
  bench(message) { if (message.n >= (app.bench?.n ?? 0)) app.bench = message; },
  quick(message) {
    if (message.n < (app.quick?.n ?? 0)) return;
    takeMesh(message.map);
    if (message.failure) { app.quick = { n: message.n, values: [], failure: message.failure }; return; }
    const before = app.quick?.values ?? [];
    app.quick = { ...message, values: message.values.map((one, i) => one ?? (before[i] ? { ...before[i], pending: true } : null)) };
    if (message.map) app.lastMap = message.map;
  },
  judging() { app.failure = ""; },
  judged(message) { if (message.key === app.key) { app.judged = message; app.failure = ""; } },
  "not judged"(message) { if (message.key === app.key) app.failure = `the shell: ${message.why}`; },
  fields(message) {
    app.fields[message.key] = message;
    const keys = Object.keys(app.fields), kept = new Set(app.kept.map((one) => one.key));
    if (keys.length > 24) delete app.fields[keys.find((key) => !kept.has(key) && key !== app.key) ?? keys[0]];
  },
  flat(message) { app.flat = message; },
  kept(message) { app.kept = message.kept; },
  search(message) { app.search = { ...message, message: message.message || (message.on ? app.search.message : "") }; },
  writing(message) { app.written = { folder: message.folder, files: [], under: true }; },
  written(message) { app.written = message; },
  "not written"(message) { app.written = null; tellUser(message.why); },
  faults(message) { showFaults(message.faults, message.text); },
  told(message) {
    if (message.fault && message.n) app.waiting = Math.max(0, app.waiting - 1);
    tellUser(message.text);
  },
  "changed on disk"(message) {
    tellUser(message.draft ? `${message.file} on disk differs from this draft.` : `${message.file} was changed by someone else.`,
      h("button", { onclick: () => { banner.hidden = true; tell("reread"); } }, "take the file"),
      h("button", { onclick: () => { banner.hidden = true; tell("save", { over: true }); } }, "save this over it"));
  },
  "cut off"() { app.waiting = 0; tellUser("The server does not answer. What was let go is in the draft; start stiffen page again."); banner.dataset.about = "link"; },
  elsewhere() { tellUser("This panel is open in another window now. Reload to take it back here."); },
};

connect((message) => {
  takes[message.is]?.(message);
  changed();
});
document.getElementById("undo").onclick = () => tell("undo");
document.getElementById("redo").onclick = () => tell("redo");

const bench = document.getElementById("bench");
bench.addEventListener("dragover", (event) => { event.preventDefault(); bench.classList.add("over"); });
bench.addEventListener("dragleave", () => bench.classList.remove("over"));
bench.addEventListener("drop", async (event) => {
  event.preventDefault();
  bench.classList.remove("over");
  const [file] = event.dataTransfer.files;
  if (file) tell("dxf", { name: file.name, data: await file.text() });
});
hint.textContent = "Take a die below and drag on the sheet. Drag a bead by its ends or its middle; Alt lets go of snaps.";
window.stiffenPage = { app, speeds };  // read by tests and by the benchmark
