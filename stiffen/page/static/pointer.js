// Drawing and dragging with mouse, pen or finger, and by keys.
import { app, changed, chosenParts, isChosen } from "./state.js";
import { tell, tellLayout, tellMove } from "./link.js";
import { clone, distance, mapped, middleOf, tidy } from "./tools.js";
import { dieOf, pixels, planOf, svg } from "./sheet.js";
import { sheetMiddle, snapEnd, snapMiddle } from "./snaps.js";

const START = 4, REACH = 7, LEAST_BEAD = 8;  // pixels before a drag begins; pixels of a snap; mm of a bead that is kept
let drag = null;

function choose(part, index, add) {
  const one = { part, index };
  if (!add) app.chosen = isChosen(part, index) && app.chosen.length > 1 ? app.chosen : [one];
  else app.chosen = isChosen(part, index) ? app.chosen.filter((other) => other.part !== part || other.index !== index) : [...app.chosen, one];
}

const others = () => [...app.layout.beads, ...app.layout.holes].filter((part) => !chosenParts().includes(part));

svg.addEventListener("pointerdown", (event) => {
  if (!app.layout || drag || (event.button ?? 0) !== 0) return;
  const place = planOf(event), handle = event.target.closest("[data-handle]"), group = event.target.closest("[data-part]");
  const start = { place, x: event.clientX, y: event.clientY, id: event.pointerId, moved: false };
  if (handle) {
    const { part, index } = app.chosen[0];
    drag = { ...start, what: handle.dataset.handle, part, index, point: Number(handle.dataset.point) };
  } else if (group) {
    const [part, number] = group.dataset.part.split("-");
    choose(part, Number(number), event.shiftKey || event.ctrlKey);
    drag = { ...start, what: "middle" };
  } else if (app.die) {
    app.chosen = [];  // what was made last is one of the others that a new part snaps to
    drag = { ...start, what: app.die.kind === "bead" ? "draw" : "place" };
  } else { app.chosen = []; changed(); return; }
  try { svg.setPointerCapture(event.pointerId); } catch { /* a press so short that it is over already */ }
  svg.focus({ preventScroll: true });
  event.preventDefault();
  changed();
});

svg.addEventListener("pointermove", (event) => {
  if (!drag || event.pointerId !== drag.id) return;
  if (!drag.moved && Math.hypot(event.clientX - drag.x, event.clientY - drag.y) < START) return;
  if (!drag.moved && !begin()) { drag = null; return; }
  follow(planOf(event), event.altKey);
  changed();
  tellMove();
});

svg.addEventListener("pointerup", (event) => {
  if (!drag || event.pointerId !== drag.id) return;
  const done = drag;
  drag = null;
  app.guides = [];
  app.dragging = false;
  if (done.what === "place" && !done.moved) {
    addPart(newHole(snapMiddle(done.place, others(), pixels(REACH)).at));
    return tellLayout("release", "a flared hole");
  }
  if (!done.moved) {
    if (done.what === "draw") app.chosen = [];
    return changed();
  }
  if (done.what === "draw" && app.layout.beads[app.layout.beads.length - 1].path.length && distance(...app.layout.beads[app.layout.beads.length - 1].path) < LEAST_BEAD) {
    app.layout = done.before;
    app.chosen = [];
    return tellLayout("move");
  }
  tellLayout("release", { draw: "a bead drawn", point: "an end moved", turn: "turned", middle: "moved", place: "a flared hole" }[done.what]);
});

svg.addEventListener("pointercancel", cancelDrag);
/** End a drag as if it had not begun. */
export function cancelDrag() {
  if (!drag) return;
  if (!drag.moved) { drag = null; return; }
  app.layout = drag.before;
  drag = null;
  app.guides = [];
  app.dragging = false;
  app.chosen = app.chosen.filter(({ part, index }) => app.layout[part][index]);
  tellLayout("move");
}

function newBead(path) {
  return { die: app.die.name, path, side: app.side, fixed: false };
}
function newHole(at) {
  return { die: app.die.name, at, side: app.side, fixed: false };
}
function addPart(part) {
  const kind = part.at ? "holes" : "beads";
  app.layout[kind].push(part);
  app.chosen = [{ part: kind, index: app.layout[kind].length - 1 }];
}

/** The press becomes a drag; false if what was pressed is no longer chosen or no longer there. */
function begin() {
  const makes = drag.what === "draw" || drag.what === "place", bead = drag.what === "point" || drag.what === "turn";
  if (!makes && (!chosenParts().length || (bead && !chosenParts()[0].path?.at(Math.max(drag.point, 0))))) return false;
  drag.before = clone(app.layout);
  drag.moved = app.dragging = true;
  if (drag.what === "draw") {
    const { at } = snapMiddle(drag.place, others(), pixels(REACH));
    addPart(newBead([at, at]));
  } else if (drag.what === "place") addPart(newHole(drag.place));
  drag.parts = chosenParts().map(clone);
  drag.middle = middleOf(drag.parts[0]);
  drag.first = (drag.parts[0].path?.[0] ?? drag.middle).map((value, k) => value - drag.middle[k]);
  return true;
}

const OPEN = { false: { false: undefined, true: "stop" }, true: { false: "start", true: "both" } };
function openEnds(part, end, open) {
  const now = part.open ?? "none", start = end === 0 ? open : now === "start" || now === "both", stop = end === 1 ? open : now === "stop" || now === "both";
  const word = OPEN[start][stop];
  if (word) part.open = word; else delete part.open;
}

function follow([x, y], free) {
  const reach = free ? 0 : pixels(REACH);
  if (drag.what === "draw" || drag.what === "point") {
    const { part, index } = app.chosen[0], bead = app.layout[part][index], last = bead.path.length - 1;
    const point = drag.what === "draw" ? 1 : drag.point, from = bead.path[point === 0 ? 1 : point - 1];
    const snapped = snapEnd([x, y], from, others(), reach);
    if (point === 0 || point === last) {
      openEnds(bead, point === 0 ? 0 : 1, snapped.open);
      bead.path[point] = tidy(snapped.at);
    } else bead.path[point] = [Math.round(x), Math.round(y)];
    app.guides = snapped.guides;
  } else if (drag.what === "turn") {
    const { part, index } = app.chosen[0], [mx, my] = drag.middle, base = drag.parts[0];
    const was = Math.atan2(drag.place[1] - my, drag.place[0] - mx), now = Math.atan2(y - my, x - mx);
    const a = base.path[0], b = base.path[base.path.length - 1], own = (Math.atan2(b[1] - a[1], b[0] - a[0]) * 180) / Math.PI;
    let degrees = ((now - was) * 180) / Math.PI, whole = Math.round(own + degrees);
    if (!free && Math.abs(whole - Math.round(whole / 15) * 15) <= 3) whole = Math.round(whole / 15) * 15;
    app.layout[part][index] = turned(base, whole - own);
    app.guides = [];
  } else {
    const wanted = [drag.middle[0] + x - drag.place[0], drag.middle[1] + y - drag.place[1]];
    const { at, guides } = snapMiddle(wanted, others(), reach, drag.first), by = [at[0] - drag.middle[0], at[1] - drag.middle[1]];
    app.chosen.forEach(({ part, index }, i) => { app.layout[part][index] = closedEnds(mapped(drag.parts[i], ([a, b]) => tidy([a + by[0], b + by[1]]))); });
    app.guides = guides;
  }
}

const closedEnds = (part) => { const { open, ...rest } = part; return rest; };  // an end that is moved away from the edge is closed

export function turned(part, degrees) {
  const [mx, my] = middleOf(part), c = Math.cos((degrees * Math.PI) / 180), q = Math.sin((degrees * Math.PI) / 180);
  return closedEnds(mapped(part, ([x, y]) => tidy([mx + c * (x - mx) - q * (y - my), my + q * (x - mx) + c * (y - my)])));
}

// ------------------------------------------------------------------------------------------------- acts on what is chosen

/** Change each chosen part by a function and let the layout go. */
export function edit(change, note) {
  if (!app.chosen.length || app.dragging) return;
  app.chosen.forEach(({ part, index }) => { app.layout[part][index] = change(app.layout[part][index]); });
  tellLayout("release", note);
}
export function removeChosen() {
  if (!app.chosen.length || app.dragging) return;
  for (const kind of ["beads", "holes"]) app.layout[kind] = app.layout[kind].filter((_, index) => !isChosen(kind, index));
  app.chosen = [];
  tellLayout("release", "taken away");
}
/** Add the mirror images of the chosen parts in a middle line of the sheet; axis 0: left to right, 1: top to bottom. */
export function mirrorChosen(axis) {
  const middle = sheetMiddle()[axis];
  copyChosen((part) => mapped(part, (point) => tidy(point.map((value, k) => (k === axis ? 2 * middle - value : value)))), "mirrored");
}
/** Add copies of the chosen parts in a row, `times` in all, at a pitch in x and y. */
export function repeatChosen(times, dx, dy) {
  const copies = chosenParts().flatMap((part) => Array.from({ length: times - 1 }, (_, i) => closedEnds(mapped(part, ([x, y]) => tidy([x + (i + 1) * dx, y + (i + 1) * dy])))));
  addCopies(copies, "a row");
}
function copyChosen(make, note) {
  if (app.chosen.length && !app.dragging) addCopies(chosenParts().map((part) => make(clone(part))), note);
}
function addCopies(copies, note) {
  const all = [...app.layout.beads, ...app.layout.holes];
  for (const copy of copies) {
    if (all.some((part) => part.die === copy.die && distance(middleOf(part), middleOf(copy)) < 1)) continue;  // it is there
    app.layout[copy.at ? "holes" : "beads"].push(copy);
  }
  tellLayout("release", note);
}

// ---------------------------------------------------------------------------------------------------------------- keys

const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
document.addEventListener("keydown", (event) => {
  if (!app.layout || event.target.closest("input, textarea, select")) return;
  const key = event.key, control = event.ctrlKey || event.metaKey;
  if (control && key.toLowerCase() === "z") { event.preventDefault(); return tell(event.shiftKey ? "redo" : "undo"); }
  if (control && key.toLowerCase() === "y") { event.preventDefault(); return tell("redo"); }
  if (control || event.altKey) return;
  if (key === "Escape") { if (drag) cancelDrag(); else { app.chosen = []; app.die = null; changed(); } return; }
  const group = event.target.closest?.("[data-part]");
  if (group && (key === "Enter" || key === " ")) {
    const [part, number] = group.dataset.part.split("-");
    choose(part, Number(number), event.shiftKey);
    event.preventDefault();
    return changed();
  }
  if (event.target === svg && key === "Enter" && app.die && !event.repeat) {
    const [x, y] = sheetMiddle().map(Math.round);
    addPart(app.die.kind === "bead" ? newBead([[x - 60, y], [x + 60, y]]) : newHole([x, y]));
    return tellLayout("release", "added");
  }
  if (ARROWS[key] && app.chosen.length) {
    const step = event.shiftKey ? 10 : 1, [dx, dy] = ARROWS[key];
    event.preventDefault();
    return edit((part) => closedEnds(mapped(part, ([x, y]) => tidy([x + dx * step, y + dy * step]))), "moved");
  }
  if ((key === "[" || key === "]") && app.chosen.length) return edit((part) => (part.at ? part : turned(part, key === "[" ? 5 : -5)), "turned");
  if ((key === "+" || key === "-") && app.chosen.length) return edit((part) => (part.at ? part : stretched(part, key === "+" ? 5 : -5)), "longer or shorter");
  if (key === "Delete" || key === "Backspace") return removeChosen();
  if (key === "f") return edit((part) => ({ ...part, fixed: !part.fixed }), "frozen");
});

/** A bead with each end further out by some mm. */
function stretched(part, by) {
  const { path } = part, n = path.length, ends = [[path[0], path[1]], [path[n - 1], path[n - 2]]];
  if (distance(path[0], path[n - 1]) < 1e-6) return part;
  const [first, last] = ends.map(([end, next]) => {
    const length = distance(end, next) || 1;
    return tidy([end[0] + ((end[0] - next[0]) / length) * by, end[1] + ((end[1] - next[1]) / length) * by]);
  });
  return closedEnds({ ...part, path: [first, ...path.slice(1, -1), last] });
}
