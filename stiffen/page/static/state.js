// What the page knows. Modules read it, and are called when it changes.
export const app = {
  panel: null, text: "", layout: null, key: "", undo: 0, redo: 0,
  n: Date.now(),   // number of the latest position that was sent; greater than those of a page opened before
  waiting: 0,      // releases that the server has not answered yet
  chosen: [],      // [{part: "beads" | "holes", index}]
  die: null,       // {kind: "bead" | "hole", name}: what a drag on the bare sheet makes
  side: "up",
  dragging: false,
  guides: [],      // snaps that hold just now
  bench: null,     // rules, kg, minutes, dimensions
  quick: null,     // latest quick answer, with its n
  judged: null,    // judgement of the layout `key`
  judging: false,
  failure: "",
  fields: {},      // judged fields by key
  flat: null, kept: [], search: { on: false, found: null }, written: null,
  view: { map: "deflection", case: null },
};

const listeners = [];
let due = false;

/** Call a function after each change, at most once a frame. */
export function onChange(listener) { listeners.push(listener); }

/** Say that something has changed. */
export function changed() {
  if (due) return;
  due = true;
  requestAnimationFrame(() => {
    due = false;
    listeners.forEach((listener) => listener());
  });
}

/** The chosen parts themselves. */
export const chosenParts = () => app.chosen.map(({ part, index }) => app.layout[part][index]).filter(Boolean);
export const isChosen = (part, index) => app.chosen.some((one) => one.part === part && one.index === index);
/** True if the judged numbers are of the layout that is shown. */
export const isJudged = () => !app.dragging && !app.waiting && app.judged !== null && app.judged.key === app.key;
