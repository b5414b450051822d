// The rack of dies below the sheet, each drawn by its section, and what can be done with what is chosen.
import { app, changed, chosenParts, onChange } from "./state.js";
import { h, s } from "./tools.js";
import { edit, mirrorChosen, removeChosen, repeatChosen } from "./pointer.js";

const rack = document.getElementById("rack");
let parts = null;

function sectionOf(die) {
  const half = 27, scale = half / 20;
  if (die.section) {
    const points = die.section.map(([x, z]) => [x * scale, -z * scale]), first = points[0], last = points[points.length - 1];
    const line = [[-half, first[1]], ...points, [half, last[1]]].map((point) => point.map((v) => v.toFixed(1)).join(" ")).join("L");
    return s("svg", { viewBox: "-27 -17 54 24" }, s("path", { d: `M${line}` }));
  }
  const k = 0.42 * scale, a = (die.finished / 2) * k, b = (die.flange / 2) * k, z = die.rise * scale;
  return s("svg", { viewBox: "-27 -17 54 24" }, s("path", { d: `M-27 0L${-b} 0L${-a} ${-z}M27 0L${b} 0L${a} ${-z}` }));
}

function take(kind, name) {
  const same = chosenParts().some((part) => (kind === "bead") === Boolean(part.path));
  const armed = app.die?.kind === kind && app.die.name === name;
  app.die = armed && !same ? null : { kind, name };
  if (same && chosenParts().some((part) => part.die !== name))
    edit((part) => ((kind === "bead") === Boolean(part.path) ? { ...part, die: name } : part), `die ${name}`);
  changed();
}

function build() {
  const { panel } = app;
  const dies = [...panel.bead_dies.map((die) => ["bead", die]), ...panel.hole_dies.map((die) => ["hole", die])].map(([kind, die]) => {
    const words = kind === "bead" ? `${die.profile} bead ${die.width} wide, ${die.depth} deep` : `flared hole, ${die.finished} mm clear, ${die.flange} mm flange`;
    const button = h("button", { className: "die", title: words, "aria-label": `${die.name}: ${words}`, onclick: () => take(kind, die.name) }, sectionOf(die), h("small", {}, die.name));
    return { kind, name: die.name, button };
  });
  const side = h("button", { title: "the face on which it stands proud", onclick: () => {
    const next = app.side === "up" ? "down" : "up";
    app.side = panel.sides.includes(next) ? next : panel.sides[0];
    edit((part) => ({ ...part, side: app.side }), `face ${app.side}`);
    changed();
  } });
  const act = (words, title, run) => h("button", { title, onclick: run }, words);
  const freeze = act("freeze", "a search leaves it where it is (f)", () => {
    const all = chosenParts().every((part) => part.fixed);
    edit((part) => ({ ...part, fixed: !all }), all ? "free again" : "frozen");
  });
  const times = h("input", { type: "number", value: 3, min: 2, max: 40, title: "how many in all" });
  const dx = h("input", { type: "number", value: 60, title: "pitch in x, mm" }), dy = h("input", { type: "number", value: 0, title: "pitch in y, mm" });
  [times, dx, dy].forEach((input) => { input.style.width = "4rem"; });
  const row = h("span", { className: "acts", hidden: true }, times, "at", dx, dy, act("set", "add the row", () => {
    const count = Math.round(Number(times.value));
    if (count >= 2 && count <= 40) repeatChosen(count, Number(dx.value), Number(dy.value));
    row.hidden = true;
  }));
  const acts = h("span", { className: "acts" }, act("mirror ↔", "add the mirror image, left to right", () => mirrorChosen(0)),
    act("mirror ↕", "add the mirror image, top to bottom", () => mirrorChosen(1)), act("row …", "repeat at a pitch in x and y, mm", () => { row.hidden = !row.hidden; }), row,
    freeze, act("delete", "take it away (Delete)", removeChosen));
  const gap = h("span", { className: "gap" });
  rack.replaceChildren(...dies.filter((die) => die.kind === "bead").map((die) => die.button), gap, ...dies.filter((die) => die.kind === "hole").map((die) => die.button),
    h("span", { className: "gap" }), h("span", { className: "acts" }, side), acts);
  return { panel, dies, side, acts, freeze };
}

onChange(() => {
  if (!app.panel) return;
  if (parts?.panel !== app.panel) parts = build();
  if (!app.panel.sides.includes(app.side)) [app.side] = app.panel.sides;
  for (const { kind, name, button } of parts.dies) button.setAttribute("aria-pressed", String(app.die?.kind === kind && app.die.name === name));
  const chosen = chosenParts();
  parts.side.textContent = `face: ${chosen[0]?.side ?? app.side}`;
  parts.side.disabled = app.panel.sides.length < 2;
  parts.acts.querySelectorAll(":scope > button").forEach((button) => { button.disabled = !chosen.length; });
  parts.freeze.setAttribute("aria-pressed", String(chosen.length > 0 && chosen.every((part) => part.fixed)));
});
