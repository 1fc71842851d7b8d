// The explorer's page: draws what the kernel sends and sends back what the mouse does. It computes nothing itself.
const NS = "http://www.w3.org/2000/svg";
const PLAN = 330;

function node(parent, tag, attributes = {}, text = "") {
  const svg = parent instanceof SVGElement || tag === "svg";
  const made = svg ? document.createElementNS(NS, tag) : document.createElement(tag);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text) made.textContent = text;
  parent.appendChild(made);
  return made;
}

// A plan of the brace: y up, mm; strokes and texts keep their size on screen.
function drawPlan(svg, scene, ghost) {
  const xs = scene.outline.map((p) => p[0]), ys = scene.outline.map((p) => p[1]);
  const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const pad = 0.06 * Math.max(x1 - x0, y1 - y0);
  const mm = (Math.max(x1 - x0, y1 - y0) + 2 * pad) / PLAN;
  const w = x1 - x0 + 2 * pad, h = y1 - y0 + 2 * pad;
  svg.setAttribute("viewBox", `${x0 - pad} ${-y1 - pad} ${w} ${h}`);
  svg.setAttribute("width", w / mm);
  svg.setAttribute("height", h / mm);
  svg.replaceChildren();
  const path = (points) => points.map((p, k) => `${k ? "L" : "M"}${p[0]} ${-p[1]}`).join("") + "Z";
  node(svg, "path", { d: path(scene.outline), fill: "#e9d8b9", stroke: "black", "stroke-width": 1.5 * mm });
  if (scene.allowed.length)
    node(svg, "path", { d: path(scene.allowed), fill: "none", stroke: "#333", "stroke-width": mm,
      "stroke-dasharray": `${5 * mm} ${4 * mm}`, class: "limit" });
  scene.cuts.forEach((c, k) => node(svg, "path", { d: path(c), fill: "white", stroke: "black",
    "stroke-width": (k === scene.pocket ? 2.2 : 1.1) * mm, class: "pocket" }));
  scene.pinned_cuts.forEach((c) => node(svg, "path", { d: path(c), fill: "none", stroke: "#555",
    "stroke-width": mm, "stroke-dasharray": `${2 * mm} ${2 * mm}` }));
  for (const handle of scene.handles) {
    const [x, y] = ghost && ghost.handle === handle.name ? ghost.to : handle.at;
    const round = handle.name === "centre";
    const dot = node(svg, round ? "circle" : "rect", round
      ? { cx: x, cy: -y, r: 6 * mm }
      : { x: x - 5 * mm, y: -y - 5 * mm, width: 10 * mm, height: 10 * mm });
    for (const [key, value] of Object.entries({ fill: "black", stroke: "white", "stroke-width": 1.5 * mm,
      "data-handle": handle.name, style: "cursor:move;touch-action:none", tabindex: 0 })) dot.setAttribute(key, value);
    node(dot, "title", {}, `${handle.name}: ${x.toFixed(1)}, ${y.toFixed(1)} mm`);
  }
}

function drawPicture(canvas, view, head) {
  const [nodes, triangles, rims] = head.counts;
  const points = new Float32Array(view.buffer.slice(view.byteOffset, view.byteOffset + 8 * nodes));
  let at = view.byteOffset + 8 * nodes;
  const values = new Float32Array(view.buffer.slice(at, (at += 4 * nodes)));
  const faces = new Uint32Array(view.buffer.slice(at, (at += 12 * triangles)));
  const lines = new Uint32Array(view.buffer.slice(at, (at += 8 * rims)));
  const [x0, y0, x1, y1] = head.bounds;
  const scale = Math.min(canvas.width / (x1 - x0), canvas.height / (y1 - y0));
  const X = (k) => (points[2 * k] - x0) * scale, Y = (k) => (y1 - points[2 * k + 1]) * scale;
  const pen = canvas.getContext("2d");
  pen.clearRect(0, 0, canvas.width, canvas.height);
  const bands = head.colours.map(() => new Path2D());
  const still = new Path2D();
  const which = (v) => Math.max(0, Math.min(bands.length - 1, Math.floor(((v + 1) / 2) * bands.length)));
  const half = (p, q) => [(p[0] + q[0]) / 2, (p[1] + q[1]) / 2, (p[2] + q[2]) / 2];
  // A triangle that spans several bands of colour is split in four, as long as `deep` allows.
  const fill = ([p, q, r], deep) => {
    if (deep && (which(p[2]) !== which(q[2]) || which(p[2]) !== which(r[2]))) {
      const [a, b, c] = [half(p, q), half(q, r), half(r, p)];
      for (const t of [[p, a, c], [a, q, b], [c, b, r], [a, b, c]]) fill(t, deep - 1);
      return;
    }
    const band = bands[which((p[2] + q[2] + r[2]) / 3)];
    band.moveTo(p[0], p[1]); band.lineTo(q[0], q[1]); band.lineTo(r[0], r[1]); band.closePath();
  };
  for (let t = 0; t < faces.length; t += 3) {
    const k = [faces[t], faces[t + 1], faces[t + 2]], v = k.map((i) => values[i]);
    fill(k.map((i, a) => [X(i), Y(i), v[a]]), 2);
    const cut = [];
    for (let a = 0; a < 3; a++) {
      const b = (a + 1) % 3;
      if (v[a] * v[b] < 0) {
        const s = v[a] / (v[a] - v[b]);
        cut.push([X(k[a]) + s * (X(k[b]) - X(k[a])), Y(k[a]) + s * (Y(k[b]) - Y(k[a]))]);
      }
    }
    if (cut.length === 2 && head.lively[t / 3] !== "0") { still.moveTo(...cut[0]); still.lineTo(...cut[1]); }
  }
  pen.lineWidth = 0.7;
  bands.forEach((band, k) => { pen.fillStyle = pen.strokeStyle = head.colours[k]; pen.fill(band); pen.stroke(band); });
  pen.strokeStyle = "black"; pen.lineWidth = 1.6; pen.stroke(still);
  const rim = new Path2D();
  for (let k = 0; k < lines.length; k += 2) { rim.moveTo(X(lines[k]), Y(lines[k])); rim.lineTo(X(lines[k + 1]), Y(lines[k + 1])); }
  pen.lineWidth = 1; pen.stroke(rim);
  pen.fillStyle = "black"; pen.font = "11px sans-serif";
  for (const [name, x, y] of head.names) pen.fillText(name, (x - x0) * scale + 3, (y1 - y) * scale - 4);
}

function drawLadder(svg, scene) {
  const rows = [["now", scene.modes.map((m) => m[0])], ...(scene.has_pin ? [["pinned", scene.pinned_Hz]] : [])];
  const all = rows.flatMap((r) => r[1]), low = Math.min(...all), high = Math.max(...all);
  const X = (f) => 60 + ((f - low) / (high - low || 1)) * 440;
  svg.replaceChildren();
  svg.setAttribute("width", 540); svg.setAttribute("height", 26 * rows.length + 22);
  rows.forEach(([name, f], k) => {
    node(svg, "text", { x: 2, y: 26 * k + 17, "font-size": 11 }, name);
    f.forEach((v) => node(svg, "line", { x1: X(v), x2: X(v), y1: 26 * k + 2, y2: 26 * k + 22, stroke: k ? "#777" : "black", "stroke-width": 1.6 }));
  });
  for (const f of [low, (low + high) / 2, high])
    node(svg, "text", { x: X(f), y: 26 * rows.length + 16, "font-size": 11, "text-anchor": "middle" }, `${f.toFixed(0)} Hz`);
}

function drawLevel(svg, level) {
  svg.replaceChildren();
  svg.setAttribute("width", 540); svg.setAttribute("height", level ? 156 : 0);
  if (!level) return;
  const f = level.frequency_Hz, every = [...level.now, ...(level.pinned || [])];
  const low = Math.floor(Math.min(...every) / 10) * 10, high = Math.ceil(Math.max(...every) / 10) * 10;
  const X = (v) => 60 + (Math.log(v / f[0]) / Math.log(f[f.length - 1] / f[0])) * 440;
  const Y = (v) => 8 + ((high - v) / (high - low)) * 112;
  for (let v = low; v <= high; v += 10) {
    node(svg, "line", { x1: 60, x2: 500, y1: Y(v), y2: Y(v), stroke: "#ddd" });
    node(svg, "text", { x: 54, y: Y(v) + 4, "font-size": 11, "text-anchor": "end" }, `${v} dB`);
  }
  for (const v of [f[0], Math.sqrt(f[0] * f[f.length - 1]), f[f.length - 1]])
    node(svg, "text", { x: X(v), y: 136, "font-size": 11, "text-anchor": "middle" }, `${v.toFixed(0)} Hz`);
  const line = (y) => y.map((v, k) => `${k ? "L" : "M"}${X(f[k]).toFixed(1)} ${Y(v).toFixed(1)}`).join("");
  if (level.pinned) node(svg, "path", { d: line(level.pinned), fill: "none", stroke: "#777", "stroke-dasharray": "4 3" });
  node(svg, "path", { d: line(level.now), fill: "none", stroke: "black", "stroke-width": 1.5 });
  node(svg, "text", { x: 60, y: 149, "font-size": 11 }, "walls over drivers, quick estimate" + (level.stale ? " (before this drag)" : ""));
}

function render({ model, el }) {
  el.classList.add("bracewright-explorer");
  const bar = node(el, "div", { class: "bar" });
  const choice = (label) => { const l = node(bar, "label", {}, label + " "); return node(l, "select"); };
  const brace = choice("brace"), pocket = choice("pocket"), mode = choice("mode shown");
  const press = (name) => { const b = node(bar, "button", { "data-do": name }, name); b.onclick = () => send({ do: name, path: path.value }); return b; };
  const undo = press("undo"), redo = press("redo");
  press("pin"); press("save"); press("export");
  const path = node(node(bar, "label", {}, " to "), "input", { type: "text", size: 16, value: model.get("path") });
  const body = node(el, "div", { class: "body" });
  const left = node(body, "div");
  const plan = node(left, "svg", { class: "plan" });
  const slide = node(left, "label", { class: "at" });
  const atText = node(slide, "span");
  const at = node(slide, "input", { type: "range", step: 0.5, class: "at" });
  const right = node(body, "div");
  const canvas = node(right, "canvas", { width: 560, height: 330 });
  const ladder = node(right, "svg", { class: "ladder" }), level = node(right, "svg", { class: "level" });
  const table = node(body, "table"), said = node(el, "div", { class: "said", "aria-live": "polite" });

  let serial = 0, answered = 0, waiting = null, ghost = null, sentAt = 0;
  const send = (message) => { serial += 1; sentAt = performance.now(); el.dataset.busy = 1; model.send({ ...message, serial }); };
  // Only the newest place counts: while the kernel works, later ones replace what waits.
  const queue = (message) => { if (answered >= serial) send(message); else waiting = message; };
  const fill = (select, names, chosen) => {
    select.replaceChildren();
    names.forEach((name, k) => { const o = node(select, "option", { value: k }, name); if (k === chosen) o.selected = true; });
  };
  const update = () => {
    const scene = model.get("scene");
    fill(brace, scene.braces, scene.braces.indexOf(scene.brace));
    fill(pocket, scene.pockets, scene.pocket);
    fill(mode, scene.modes.map((m, k) => `${k + 1}: ${m[0].toFixed(1)} Hz`), scene.mode - 1);
    undo.disabled = !scene.can_undo; redo.disabled = !scene.can_redo;
    at.min = scene.travel[0]; at.max = scene.travel[1];
    if (document.activeElement !== at || !ghost) at.value = scene.at;
    atText.textContent = `${scene.normal} = ${scene.at.toFixed(1)} mm (${scene.travel[0].toFixed(0)} to ${scene.travel[1].toFixed(0)})`;
    drawPlan(plan, scene, ghost);
    drawLadder(ladder, scene);
    drawLevel(level, scene.level);
    table.replaceChildren();
    const head = node(table, "tr");
    ["mode", "Hz", ...(scene.has_pin ? ["pinned, Hz", "change, %"] : [])].forEach((t) => node(head, "th", {}, t));
    scene.modes.forEach((m, k) => {
      const row = node(table, "tr");
      [k + 1, m[0].toFixed(1), ...(scene.has_pin ? [m[1].toFixed(1), m[2].toFixed(2)] : [])].forEach((t) => node(row, "td", {}, String(t)));
    });
    said.textContent = scene.said;
  };
  const picture = () => {
    const view = model.get("picture");
    const data = view.buffer ? view : new DataView(view);
    if (data.byteLength) drawPicture(canvas, data, model.get("scene").picture);
    const scene = model.get("scene");
    answered = Math.max(answered, scene.serial);
    if (scene.serial === serial && sentAt) el.dataset.latency = (performance.now() - sentAt).toFixed(0);
    el.dataset.serial = scene.serial;
    if (waiting && answered >= serial) { const next = waiting; waiting = null; send(next); }
    el.dataset.busy = Number(answered < serial);
  };
  model.on("change:scene", update);
  model.on("change:picture", picture);
  brace.onchange = () => send({ do: "pick", brace: brace.options[brace.selectedIndex].text, pocket: 0 });
  pocket.onchange = () => send({ do: "pick", brace: brace.options[brace.selectedIndex].text, pocket: Number(pocket.value) });
  mode.onchange = () => send({ do: "mode", mode: Number(mode.value) + 1 });
  at.oninput = () => queue({ do: "move", at: Number(at.value) });
  at.onchange = () => queue({ do: "move", at: Number(at.value), release: true });
  const place = (event) => {
    const p = new DOMPoint(event.clientX, event.clientY).matrixTransform(plan.getScreenCTM().inverse());
    return [p.x, -p.y];
  };
  plan.onpointerdown = (event) => {
    const handle = event.target.dataset && event.target.dataset.handle;
    if (!handle) return;
    event.preventDefault();
    plan.setPointerCapture(event.pointerId);
    ghost = { handle, to: place(event) };
  };
  plan.onpointermove = (event) => {
    if (!ghost) return;
    ghost.to = place(event);
    drawPlan(plan, model.get("scene"), ghost);
    queue({ do: "drag", handle: ghost.handle, to: ghost.to });
  };
  plan.onpointerup = plan.onpointercancel = (event) => {
    if (!ghost) return;
    const last = { do: "drag", handle: ghost.handle, to: place(event), release: true };
    ghost = null;
    queue(last);
  };
  // Arrow keys move a focused handle by 1 mm, with shift by 5 mm.
  plan.onkeydown = (event) => {
    const name = event.target.dataset && event.target.dataset.handle;
    const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] }[event.key];
    if (!name || !way) return;
    event.preventDefault();
    const from = model.get("scene").handles.find((h) => h.name === name).at, step = event.shiftKey ? 5 : 1;
    queue({ do: "drag", handle: name, to: [from[0] + step * way[0], from[1] + step * way[1]], release: true });
  };
  update();
  picture();
}

export default { render };
