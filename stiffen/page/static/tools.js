// Small helpers: elements, numbers, plane geometry. Lengths in mm, y upward; the picture has y downward.
const SVG = "http://www.w3.org/2000/svg";

/** An HTML element with properties or attributes and children. */
export function h(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) {
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key in element && key !== "list") element[key] = value;
    else element.setAttribute(key, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

/** An SVG element. */
export function s(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

/** A number with so many digits that count. */
export function digits(value, count = 3) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  const size = Math.abs(value);
  return size === 0 ? "0" : value.toFixed(Math.max(0, count - 1 - Math.floor(Math.log10(size))));
}

/** A share as a signed percentage. */
export const percent = (share) => `${share >= 0 ? "+" : "−"}${Math.abs(100 * share).toFixed(0)} %`;

/** "1 bead", "2 beads". */
export const counted = (count, what) => `${count} ${what}${count === 1 ? "" : "s"}`;

export const pathOf = (points, closed = false) =>
  "M" + points.map(([x, y]) => `${x.toFixed(2)} ${(-y).toFixed(2)}`).join("L") + (closed ? "Z" : "");
export const distance = ([a, b], [c, d]) => Math.hypot(a - c, b - d);
export const clone = (value) => JSON.parse(JSON.stringify(value));

/** Least and greatest x and y of points. */
export function boxOf(points) {
  const xs = points.map((point) => point[0]), ys = points.map((point) => point[1]);
  return { x0: Math.min(...xs), x1: Math.max(...xs), y0: Math.min(...ys), y1: Math.max(...ys) };
}

/** The middle of the box round a bead, or the centre of a hole. */
export function middleOf(part) {
  if (part.at) return part.at;
  const box = boxOf(part.path);
  return [(box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2];
}

/** The point of a closed ring that is nearest to a place. */
export function nearestOnRing(ring, [x, y]) {
  let best = null, least = Infinity;
  ring.forEach(([ax, ay], i) => {
    const [bx, by] = ring[(i + 1) % ring.length];
    const length = (bx - ax) ** 2 + (by - ay) ** 2;
    const t = length ? Math.max(0, Math.min(1, ((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / length)) : 0;
    const point = [ax + t * (bx - ax), ay + t * (by - ay)], away = distance(point, [x, y]);
    if (away < least) [best, least] = [point, away];
  });
  return { point: best, away: least };
}

/** True if a place lies inside a closed ring. */
export function inside(ring, [x, y]) {
  let odd = false;
  ring.forEach(([ax, ay], i) => {
    const [bx, by] = ring[(i + 1) % ring.length];
    if (ay > y !== by > y && x < ((bx - ax) * (y - ay)) / (by - ay) + ax) odd = !odd;
  });
  return odd;
}

/** A part moved, turned or mirrored: each of its points goes through a function. */
export function mapped(part, move) {
  const next = { ...part };
  if (part.at) next.at = move(part.at);
  else next.path = part.path.map(move);
  return next;
}

/** Coordinates rounded to hundredths, as the file keeps thousandths. */
export const tidy = ([x, y]) => [Math.round(x * 100) / 100, Math.round(y * 100) / 100];
