// The map under the drawing: deflection or softness over the sheet, darker where more.
import { app, changed, isJudged, onChange } from "./state.js";
import { boxOf, digits, h } from "./tools.js";
import { tellLayout } from "./link.js";

const canvas = document.getElementById("field");
const CELLS = 200;  // cells of a map's grid along the longer side
const grids = new WeakMap();
const meshes = {};  // of the quick answers, by gauge

/** Keep the mesh that comes with the first answer on a gauge. */
export function takeMesh(map) {
  if (map && map.nodes) meshes[map.mesh] = { nodes: map.nodes, triangles: map.triangles };
}
export function forgetMeshes() { Object.keys(meshes).forEach((key) => delete meshes[key]); }

/** Values at nodes from probed points [x, y, value], by inverse squared distance of the nearest six. */
function fromProbes(nodes, probes) {
  return nodes.map(([x, y]) => {
    const near = probes.map((probe) => [(probe[0] - x) ** 2 + (probe[1] - y) ** 2 + 1e-3, probe[2]]);
    near.sort((a, b) => a[0] - b[0]);
    let sum = 0, weight = 0;
    for (const [gap, value] of near.slice(0, 6)) { sum += value / gap; weight += 1 / gap; }
    return sum / weight;
  });
}

/** Nodes, triangles and values to show; judged ones where they are of this layout. */
export function shownField(key = isJudged() ? app.key : null) {
  const fields = key && app.fields[key], { map } = app.view;
  if (map === "none") return null;
  if (fields) {
    if (map === "softness" && !fields.soft) fields.soft = fromProbes(fields.nodes, fields.softness);
    const values = map === "softness" ? fields.soft : fields.deflection[app.view.case];
    return values ? { nodes: fields.nodes, triangles: fields.triangles, values, unit: map === "softness" ? "mm/N" : "mm", judged: true } : null;
  }
  const shown = app.lastMap, mesh = shown && meshes[shown.mesh];
  return mesh && shown.kind === map ? { ...mesh, values: shown.values, unit: shown.unit, judged: false } : null;
}

/** For each cell of a grid over a mesh the nodes and shares that give its value; made once for a mesh. */
function gridOf(field) {
  const { nodes, triangles } = field, known = grids.get(triangles);
  if (known) return known;
  const box = boxOf(nodes), size = Math.max(box.x1 - box.x0, box.y1 - box.y0) / CELLS;
  const cols = Math.max(2, Math.ceil((box.x1 - box.x0) / size)), rows = Math.max(2, Math.ceil((box.y1 - box.y0) / size));
  const corner = new Int32Array(cols * rows).fill(-1), shares = new Float32Array(3 * cols * rows);
  triangles.forEach(([a, b, c], t) => {
    const [[ax, ay], [bx, by], [cx, cy]] = [nodes[a], nodes[b], nodes[c]], area = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay);
    const from = (low, start) => Math.max(0, Math.floor((low - start) / size - 0.5)), to = (high, start, most) => Math.min(most - 1, Math.ceil((high - start) / size - 0.5));
    for (let j = from(Math.min(ay, by, cy), box.y0); j <= to(Math.max(ay, by, cy), box.y0, rows); j++)
      for (let i = from(Math.min(ax, bx, cx), box.x0); i <= to(Math.max(ax, bx, cx), box.x0, cols); i++) {
        const x = box.x0 + (i + 0.5) * size, y = box.y0 + (j + 0.5) * size;
        const v = ((x - ax) * (cy - ay) - (cx - ax) * (y - ay)) / area, w = ((bx - ax) * (y - ay) - (x - ax) * (by - ay)) / area;
        if (v < -1e-6 || w < -1e-6 || v + w > 1 + 1e-6) continue;
        corner[j * cols + i] = t;
        shares.set([1 - v - w, v, w], 3 * (j * cols + i));
      }
  });
  for (let pass = 0; pass < 3; pass++) {  // beyond the rim as at the rim; the drawing is clipped there
    const before = corner.slice();
    for (let k = 0; k < corner.length; k++) {
      if (before[k] >= 0) continue;
      const i = k % cols, near = [i > 0 ? k - 1 : -1, i < cols - 1 ? k + 1 : -1, k - cols, k + cols].find((one) => one >= 0 && one < corner.length && before[one] >= 0);
      if (near === undefined) continue;
      corner[k] = before[near];
      shares.copyWithin(3 * k, 3 * near, 3 * near + 3);
    }
  }
  const picture = document.createElement("canvas");
  [picture.width, picture.height] = [cols, rows];
  const grid = { box, size, cols, rows, corner, shares, picture };
  grids.set(triangles, grid);
  return grid;
}

/** Draw a field on a canvas; place: plan mm to pixels, without turning; most: value of the darkest colour; lined: with its rim. */
export function drawField(target, field, place, most, lined = false) {
  const pen = target.getContext("2d");
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.clearRect(0, 0, target.width, target.height);
  if (!field) return;
  const style = getComputedStyle(document.documentElement), colour = style.getPropertyValue("--field").split(",").map(Number);
  const grid = gridOf(field), { cols, rows, corner, shares } = grid, brush = grid.picture.getContext("2d");
  const image = brush.createImageData(cols, rows);
  for (let k = 0; k < corner.length; k++) {
    if (corner[k] < 0) continue;
    const [a, b, c] = field.triangles[corner[k]], to = 4 * ((rows - 1 - Math.floor(k / cols)) * cols + (k % cols));
    const value = shares[3 * k] * field.values[a] + shares[3 * k + 1] * field.values[b] + shares[3 * k + 2] * field.values[c];
    [image.data[to], image.data[to + 1], image.data[to + 2]] = colour;
    image.data[to + 3] = 217 * Math.max(0, Math.min(1, value / most));
  }
  brush.putImageData(image, 0, 0);
  const rim = new Path2D();
  for (const ring of [app.panel.outline, ...app.panel.cutouts]) {
    ring.forEach((point, i) => (i ? rim.lineTo(...place(point)) : rim.moveTo(...place(point))));
    rim.closePath();
  }
  pen.save();
  pen.clip(rim, "evenodd");
  pen.fillStyle = style.getPropertyValue("--metal");
  pen.fillRect(0, 0, target.width, target.height);
  const [left, top] = place([grid.box.x0, grid.box.y0 + rows * grid.size]), [right, bottom] = place([grid.box.x0 + cols * grid.size, grid.box.y0]);
  pen.imageSmoothingEnabled = true;
  pen.drawImage(grid.picture, left, top, right - left, bottom - top);
  pen.restore();
  pen.strokeStyle = style.getPropertyValue("--ink");
  if (lined) pen.stroke(rim);
}

let drawn = {};  // what the canvas shows
let colours = 0;  // value of the darkest colour; grows at once, shrinks when a drag is over
function draw() {
  const box = canvas.getBoundingClientRect(), scale = window.devicePixelRatio || 1;
  // a new width or height clears a canvas
  if (canvas.width !== Math.round(box.width * scale)) canvas.width = Math.round(box.width * scale);
  if (canvas.height !== Math.round(box.height * scale)) canvas.height = Math.round(box.height * scale);
  const svg = document.getElementById("sheet"), matrix = svg.getScreenCTM();
  const field = app.panel && app.layout ? shownField() : null;
  document.getElementById("bench").classList.toggle("shown", Boolean(field));
  if (field && matrix) {
    const most = Math.max(...field.values);
    colours = app.dragging ? Math.max(colours, most) : most;
    const key = [canvas.width, canvas.height, matrix.a, matrix.e, matrix.f, colours, matchMedia("(prefers-color-scheme: dark)").matches].join();
    if (key !== drawn.key || field.values !== drawn.values) drawField(canvas, field, ([x, y]) => [(matrix.a * x + matrix.e - box.left) * scale, (-matrix.d * y + matrix.f - box.top) * scale], colours);
    drawn = { key, values: field.values };
  } else if (drawn.key) {
    drawField(canvas, null);
    drawn = {};
  }
  drawLegend(field);
}

const legend = document.getElementById("legend");
let parts = null;
function drawLegend(field) {
  if (!app.panel) return;
  const names = ["none", "softness", ...app.panel.cases];
  if (!parts || parts.names !== names.join("\n")) {
    const bar = h("canvas", { width: 90, height: 10 });
    const pick = h("select", { title: "what the shading shows", onchange: () => {
      const value = pick.value;
      app.view = value === "none" || value === "softness" ? { map: value, case: null } : { map: "deflection", case: value };
      app.lastMap = null;
      tellLayout("move");
    } }, h("option", { value: "none" }, "no shading"), h("option", { value: "softness" }, "softness"),
      ...app.panel.cases.map((one) => h("option", { value: one }, `deflection ${one}`)));
    parts = { bar, pick, words: h("span"), names: names.join("\n") };
    legend.replaceChildren(pick, bar, parts.words);
  }
  parts.pick.value = app.view.map === "deflection" ? app.view.case : app.view.map;
  const pen = parts.bar.getContext("2d"), colour = getComputedStyle(document.documentElement).getPropertyValue("--field");
  const ramp = pen.createLinearGradient(0, 0, 90, 0);
  ramp.addColorStop(0, `rgba(${colour}, 0)`); ramp.addColorStop(1, `rgba(${colour}, .85)`);
  pen.clearRect(0, 0, 90, 10); pen.fillStyle = ramp; pen.fillRect(0, 0, 90, 10);
  parts.bar.hidden = !field;
  parts.words.textContent = field ? `0 to ${digits(colours)} ${field.unit}, ${field.judged ? "by the shell" : "quick"}` : "";
}

onChange(draw);
window.addEventListener("resize", () => changed());
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => changed());
