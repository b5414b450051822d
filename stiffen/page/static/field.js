// The map under the drawing: deflection or softness over the sheet, darker where more.
import { app, changed, isJudged, onChange } from "./state.js";
import { digits, h } from "./tools.js";
import { tellLayout } from "./link.js";

const canvas = document.getElementById("field");
const FINE = 8000;  // triangles from which a map looks smooth
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

/** A field with each triangle cut in four, values in between by the mean, until it is fine enough to look smooth. */
function smooth(field) {
  let { nodes, triangles, values } = field;
  while (triangles.length < FINE) {
    nodes = nodes.slice();
    values = values.slice();
    const middles = new Map(), next = [];
    const middle = (a, b) => {
      const key = a < b ? a * 1e6 + b : b * 1e6 + a;
      if (!middles.has(key)) {
        middles.set(key, nodes.length);
        nodes.push([(nodes[a][0] + nodes[b][0]) / 2, (nodes[a][1] + nodes[b][1]) / 2]);
        values.push((values[a] + values[b]) / 2);
      }
      return middles.get(key);
    };
    for (const [a, b, c] of triangles) {
      const ab = middle(a, b), bc = middle(b, c), ca = middle(c, a);
      next.push([a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]);
    }
    triangles = next;
  }
  return { nodes, triangles, values };
}

/** Draw a field on a canvas; place: plan mm to pixels; most: value of the darkest colour. */
export function drawField(target, field, place, most) {
  const pen = target.getContext("2d");
  pen.setTransform(1, 0, 0, 1, 0, 0);
  pen.clearRect(0, 0, target.width, target.height);
  if (!field) return;
  field = smooth(field);
  const colour = getComputedStyle(document.documentElement).getPropertyValue("--field");
  const metal = getComputedStyle(document.documentElement).getPropertyValue("--metal");
  const points = field.nodes.map(place);
  const shades = Array.from({ length: 33 }, (_, i) => `rgba(${colour}, ${((i / 32) * 0.85).toFixed(3)})`);
  const groups = Array.from({ length: 33 }, () => new Path2D()), all = new Path2D();
  field.triangles.forEach(([a, b, c]) => {
    const mean = (field.values[a] + field.values[b] + field.values[c]) / 3;
    const group = groups[Math.max(0, Math.min(32, Math.round((32 * mean) / most)))];
    for (const path of [group, all]) {
      path.moveTo(...points[a]); path.lineTo(...points[b]); path.lineTo(...points[c]); path.closePath();
    }
  });
  pen.fillStyle = metal; pen.fill(all);
  pen.strokeStyle = metal; pen.lineWidth = 1; pen.stroke(all);
  groups.forEach((path, i) => { pen.fillStyle = shades[i]; pen.fill(path); });
}

let colours = 0;  // value of the darkest colour; grows at once, shrinks when a drag is over
function draw() {
  const box = canvas.getBoundingClientRect(), scale = window.devicePixelRatio || 1;
  if (canvas.width !== Math.round(box.width * scale)) canvas.width = Math.round(box.width * scale);
  if (canvas.height !== Math.round(box.height * scale)) canvas.height = Math.round(box.height * scale);
  const svg = document.getElementById("sheet"), matrix = svg.getScreenCTM();
  const field = app.panel && app.layout ? shownField() : null;
  document.getElementById("bench").classList.toggle("shown", Boolean(field));
  if (field && matrix) {
    const most = Math.max(...field.values);
    colours = app.dragging ? Math.max(colours, most) : most;
    drawField(canvas, field, ([x, y]) => [(matrix.a * x + matrix.e - box.left) * scale, (-matrix.d * y + matrix.f - box.top) * scale], colours);
  } else drawField(canvas, null);
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
