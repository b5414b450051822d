// The drawing: the sheet with what lies on it, beads, holes, handles, guides, and broken rules at their place.
import { app, isChosen, onChange } from "./state.js";
import { boxOf, distance, middleOf, pathOf, s } from "./tools.js";

export const svg = document.getElementById("sheet");
const layers = Object.fromEntries(["ground", "parts", "marks"].map((name) => [name, svg.appendChild(s("g", { class: name }))]));
let drawnPanel = null;

/** Plan mm of a place on the screen. */
export function planOf(event) {
  const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  return [point.x, -point.y];
}
/** mm of a number of pixels on the screen. */
export const pixels = (count) => count / (svg.getScreenCTM()?.a || 1);

export const dieOf = (part) => (part.at ? app.panel.hole_dies : app.panel.bead_dies).find((die) => die.name === part.die);

function drawGround() {
  const { panel } = app, box = boxOf(panel.outline), w = box.x1 - box.x0, k = box.y1 - box.y0;
  const margin = 0.035 * Math.max(w, k) + 4;
  svg.setAttribute("viewBox", `${box.x0 - margin} ${-box.y1 - margin} ${w + 2 * margin} ${k + 2 * margin}`);
  const px = pixels(1), out = [];
  out.push(s("path", { class: "metal", d: [panel.outline, ...panel.cutouts].map((ring) => pathOf(ring, true)).join(""), "stroke-width": 2 * px }));
  for (const one of panel.keep_outs) {
    out.push(s("path", { class: "keep", d: pathOf(one.polygon, true), "stroke-width": px }));
    if (one.why) out.push(label(middleOf({ path: one.polygon }), one.why, 11));
  }
  for (const one of panel.supports) {
    if (one.kind === "edge" || one.kind === "rest")
      out.push(s("path", { class: "support", d: one.path ? pathOf(one.path) : pathOf(panel.outline, true), "stroke-width": 6 * px }));
    for (const at of one.at)
      out.push(s("circle", { class: "fastener", cx: at[0], cy: -at[1], r: Math.max(one.diameter / 2, 3 * px), "stroke-width": 2 * px }));
  }
  for (const fold of panel.folds) {
    out.push(s("path", { class: "fold", d: pathOf(fold.line), "stroke-width": 1.5 * px, fill: "none" }));
    const [a, b] = fold.line;
    out.push(label([a[0] + 0.25 * (b[0] - a[0]), a[1] + 0.25 * (b[1] - a[1])], `fold ${fold.angle > 0 ? "up" : "down"} ${Math.abs(fold.angle)}°`, 11));
  }
  for (const load of panel.loads) {
    if (load.at && load.size) {
      const [x, y] = load.at, [a, b] = load.size;
      out.push(s("rect", { class: "load", x: x - a / 2, y: -y - b / 2, width: a, height: b, "stroke-width": 1.5 * px }));
      out.push(label([x, y - b / 2 - 12 * px], `${load.case} ${load.value} N`, 11));
    } else if (load.path) out.push(s("path", { class: "load", d: pathOf(load.path), "stroke-width": 2 * px }));
    else if (load.polygon) out.push(s("path", { class: "load", d: pathOf(load.polygon, true), "stroke-width": 1.5 * px }));
  }
  for (const mass of panel.masses) out.push(label(mass.at, `${mass.kg} kg`, 11));
  const [mx, my] = [(box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2];
  out.push(s("path", { class: "axis", d: pathOf([[mx, box.y0], [mx, box.y1]]) + pathOf([[box.x0, my], [box.x1, my]]), "stroke-width": px, fill: "none" }));
  layers.ground.replaceChildren(...out);
}

export function label([x, y], words, size = 13, more = "") {
  return s("text", { class: `sheet-text ${more}`, x, y: -y, "font-size": pixels(size), "text-anchor": "middle", "stroke-width": pixels(3) }, words);
}

/** Shapes of a bead or hole; also for ghosts and small pictures. */
export function shapesOf(part, px) {
  const die = dieOf(part);
  if (!die) return [];
  if (part.at) {
    const place = { cx: part.at[0], cy: -part.at[1] };
    return [
      s("circle", { class: "mouth", ...place, r: die.finished / 2, "stroke-width": px }),
      s("circle", { class: "flare", ...place, r: die.flange / 2, "stroke-width": 2 * px }),
    ];
  }
  const closed = part.path.length > 3 && distance(part.path[0], part.path[part.path.length - 1]) < 1e-6, d = pathOf(part.path, closed);
  return [s("path", { class: "band", d, "stroke-width": die.width }), s("path", { class: "mid", d, "stroke-width": 2 * px })];
}

function hitOf(part) {
  const die = dieOf(part);
  if (!die) return [];
  if (part.at) return [s("circle", { class: "hit", cx: part.at[0], cy: -part.at[1], r: Math.max(die.flange / 2, pixels(16)) })];
  return [s("path", { class: "hit", d: pathOf(part.path), "stroke-width": Math.max(die.width, pixels(32)) })];
}

function nameOf(part, kind, index) {
  const where = part.at ? `at ${part.at.map((v) => Math.round(v)).join(", ")}` : `from ${part.path[0].map((v) => Math.round(v)).join(", ")} to ${part.path[part.path.length - 1].map((v) => Math.round(v)).join(", ")}`;
  return `${kind === "beads" ? "bead" : "flared hole"} ${index + 1}, ${part.die}, ${part.side} face, ${where}${part.fixed ? ", frozen" : ""}`;
}

function drawParts() {
  const px = pixels(1), out = [], focused = document.activeElement?.dataset?.part;
  const broken = new Set((app.bench?.rules ?? []).map((rule) => `${rule.part}s-${rule.index}`));
  for (const kind of ["beads", "holes"]) app.layout[kind].forEach((part, index) => {
    const classes = ["part", part.side, isChosen(kind, index) && "chosen", part.fixed && "frozen", broken.has(`${kind}-${index}`) && "broken"];
    const group = s("g", { class: classes.filter(Boolean).join(" "), tabindex: 0, role: "button", "aria-label": nameOf(part, kind, index), "data-part": `${kind}-${index}` },
      ...hitOf(part), ...shapesOf(part, px));
    out.push(group);
  });
  layers.parts.replaceChildren(...out);
  if (focused) layers.parts.querySelector(`[data-part="${focused}"]`)?.focus({ preventScroll: true });
}

/** Places of the handles of the one chosen bead: [what, index of the point, place]. */
export function handles() {
  if (app.chosen.length !== 1) return [];
  const [{ part: kind, index }] = app.chosen, part = app.layout[kind][index];
  if (!part || part.at) return [];
  const { path } = part, closed = distance(path[0], path[path.length - 1]) < 1e-6;
  const corners = path.length <= 8 && !closed ? path.map((_, i) => i) : closed ? [] : [0, path.length - 1];
  const found = corners.map((i) => ["point", i, path[i]]);
  const [a, b] = [path[0], path[path.length - 1]], middle = middleOf(part), length = distance(a, b) || 1;
  const away = (dieOf(part)?.width ?? 0) / 2 + pixels(26);
  const side = closed ? [0, 1] : [-(b[1] - a[1]) / length, (b[0] - a[0]) / length];
  const flip = side[1] < 0 || (side[1] === 0 && side[0] < 0) ? -1 : 1;
  const places = [1, -1, 2, -2, 3].map((times) => [0, 1].map((k) => middle[k] + flip * times * side[k] * away));
  const clear = (place) => found.every(([, , at]) => distance(at, place) > pixels(24));  // of the other handles
  found.push(["turn", -1, places.find(clear) ?? places[0]]);
  return found;
}

function drawMarks() {
  const px = pixels(1), out = [], { panel } = app, box = boxOf(panel.outline);
  if (app.search.found?.layout) {
    const { beads, holes } = app.search.found.layout;
    out.push(s("g", { class: "ghost" }, ...[...beads, ...holes].flatMap((part) => shapesOf(part, px))));
  }
  for (const guide of app.guides) {
    const line = guide.axis === 0 ? [[guide.at, box.y0], [guide.at, box.y1]] : [[box.x0, guide.at], [box.x1, guide.at]];
    out.push(s("path", { class: "guide", d: pathOf(line), "stroke-width": px, fill: "none" }));
    const place = guide.axis === 0 ? [guide.at, box.y1 - 18 * px] : [box.x0 + 0.14 * (box.x1 - box.x0), guide.at + 4 * px];
    const word = label(place, guide.word, 12, "guide-text");
    if (guide.axis === 0) { word.setAttribute("text-anchor", "start"); word.setAttribute("x", place[0] + 8 * px); }
    out.push(word);
  }
  for (const [what, index, at] of handles()) {
    out.push(s("circle", { class: what === "turn" ? "turner" : "handle", cx: at[0], cy: -at[1], r: 7 * px, "stroke-width": 1.5 * px, "data-handle": what, "data-point": index }));
  }
  if (app.chosen.length === 1 && (app.dragging || handles().length)) {
    const part = app.layout[app.chosen[0].part][app.chosen[0].index];
    if (part?.path) {
      const ends = [part.path[0], part.path[part.path.length - 1]];
      ends.forEach((end, i) => {
        const other = ends[1 - i], low = end[1] < other[1] || (end[1] === other[1] && i === 0);
        const place = [Math.min(Math.max(end[0], box.x0 + 40 * px), box.x1 - 40 * px), end[1] + (low ? -24 : 14) * px];
        out.push(label(place, end.map((v) => Number(v.toFixed(1))).join(", "), 12, "dim"));
      });
    } else if (part) out.push(label([part.at[0], part.at[1] - (dieOf(part)?.flange ?? 0) / 2 - 16 * px], part.at.map((v) => Number(v.toFixed(1))).join(", "), 12, "dim"));
  }
  out.push(...rulesAtPlace(px, box));
  const worst = worstPlace();
  if (worst) out.push(s("path", { class: "worst", d: `M${worst[0] - 7 * px} ${-worst[1]}h${14 * px}M${worst[0]} ${-worst[1] - 7 * px}v${14 * px}`, "stroke-width": 1.5 * px }));
  layers.marks.replaceChildren(...out);
}

/** A broken rule in words; a distance below zero is told as how far it reaches in. */
export const wordsOf = (rule) => rule.what.replace(/^-([\d.]+ mm) from (.*?), at least (.*)$/, "$1 into $2, at least $3 away");

/** The most urgent broken rule of each part, in words beside it. */
function rulesAtPlace(px, box) {
  const told = new Set(), out = [], lines = [];
  for (const rule of app.bench?.rules ?? []) {
    const part = app.layout[`${rule.part}s`]?.[rule.index], name = `${rule.part}-${rule.index}`;
    if (!part || told.has(name)) continue;
    told.add(name);
    const [mx, my] = middleOf(part), half = (dieOf(part)?.flange ?? dieOf(part)?.width ?? 0) / 2;
    const whole = wordsOf(rule), words = whole.length > 64 ? `${whole.slice(0, 62)}…` : whole, wide = words.length * 6.6 * px;
    const x = Math.max(box.x0 + wide / 2, Math.min(box.x1 - wide / 2, mx));
    let y = Math.min(my + half + 8 * px, box.y1 - 14 * px);
    while (lines.some((other) => Math.abs(other.y - y) < 16 * px && Math.abs(other.x - x) < (wide + other.wide) / 2)) y -= 17 * px;
    lines.push({ x, y, wide });
    out.push(label([x, y], words, 13, "says"));
  }
  return out;
}

/** Where the demand with the least margin has its worst place. */
function worstPlace() {
  const values = (app.judged && app.judged.key === app.key && !app.dragging ? app.judged.values : app.quick?.values) ?? [];
  let worst = null;
  for (const one of values) if (one?.at && one.margin !== null && (!worst || one.margin < worst.margin)) worst = one;
  return worst?.at;
}

export function redrawGround() { drawnPanel = null; }
onChange(() => {
  if (!app.panel || !app.layout) return;
  if (drawnPanel !== app.panel) {
    drawGround(); drawGround();  // twice: the second knows the scale
    drawnPanel = app.panel;
  }
  drawParts();
  drawMarks();
});
window.addEventListener("resize", redrawGround);
