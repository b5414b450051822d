// Snaps: whole millimetres, the middle of the sheet, in line, equal pitch, mirror images, directions.
import { app } from "./state.js";
import { boxOf, distance, middleOf, nearestOnRing, inside } from "./tools.js";

const DIRECTION = 4;  // degrees within which an end snaps to a multiple of 45

export const sheetMiddle = () => {
  const box = boxOf(app.panel.outline);
  return [(box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2];
};

/** Positions along an axis (0: x, 1: y) that something may snap to, with words. Others: the parts that stay. */
function stops(axis, others) {
  const middle = sheetMiddle()[axis], found = [[middle, "middle of the sheet"]];
  const places = [...new Set(others.map((part) => Math.round(middleOf(part)[axis] * 2) / 2))].sort((a, b) => a - b);
  for (const place of places) {
    found.push([place, "in line"]);
    if (Math.abs(place - middle) > 2) found.push([2 * middle - place, "mirror image"]);
  }
  places.forEach((place, i) => places.slice(i + 1).forEach((next) => {
    found.push([2 * next - place, "equal pitch"], [2 * place - next, "equal pitch"], [(place + next) / 2, "equal pitch"]);
  }));
  return found;
}

/** A middle that is moved to a place: where it snaps to, and the guides to draw. From: what lies on whole mm else, the
 * part's first point, as seen from its middle. */
export function snapMiddle([x, y], others, reach, from = [0, 0]) {
  const guides = [], at = [x, y].map((value, axis) => {
    let best = null;
    for (const [stop, word] of stops(axis, others)) {
      const gap = Math.abs(stop - value);
      if (gap <= reach && (!best || gap < best.gap - 1e-6)) best = { gap, stop, word };
    }
    if (best) guides.push({ axis, at: best.stop, word: best.word });
    return best ? best.stop : Math.round(value + from[axis]) - from[axis];
  });
  return { at, guides };
}

/** An end that is moved, the bead's next point being `from`: place, guides, and whether it runs over the edge. */
export function snapEnd([x, y], from, others, reach) {
  if (!inside(app.panel.outline, [x, y])) {  // an end that leaves the sheet runs over its edge, open
    const along = axisAligned(from, [x, y]);
    return { at: nearestOnRing(app.panel.outline, along ?? [x, y]).point, guides: [], open: true };
  }
  const length = distance(from, [x, y]), angle = (Math.atan2(y - from[1], x - from[0]) * 180) / Math.PI;
  const turned = Math.round(angle / 45) * 45;
  const ends = others.flatMap((part) => (part.path ? [part.path[0], part.path[part.path.length - 1]] : [part.at]));
  const middle = sheetMiddle();
  if (length > 4 && Math.abs(angle - turned) < DIRECTION) {
    const radians = (turned * Math.PI) / 180, direction = [Math.round(Math.cos(radians)), Math.round(Math.sin(radians))];
    const share = turned % 90 ? Math.round(length / Math.SQRT2) : Math.round(length);
    let at = [from[0] + direction[0] * share, from[1] + direction[1] * share];
    const guides = [];
    if (turned % 90 === 0) {
      const axis = direction[0] ? 0 : 1;
      const wanted = [[2 * middle[axis] - from[axis], "equal on both sides"], ...ends.map((end) => [end[axis], "in line"]), ...ends.map((end) => [2 * middle[axis] - end[axis], "mirror image"])];
      for (const [stop, word] of wanted) {
        if (Math.abs(stop - [x, y][axis]) <= reach) { at[axis] = stop; guides.push({ axis, at: stop, word }); break; }
      }
    }
    return { at, guides, open: false };
  }
  return { at: [Math.round(x), Math.round(y)], guides: [], open: false };
}

function axisAligned(from, [x, y]) {
  if (Math.abs(y - from[1]) < Math.abs(x - from[0]) * 0.12) return [x, from[1]];
  if (Math.abs(x - from[0]) < Math.abs(y - from[1]) * 0.12) return [from[0], y];
  return null;
}
