// The WebSocket to the server on this machine: opened again if it breaks.
import { app, changed } from "./state.js";
import { clone } from "./tools.js";

let socket = null, receive = () => {};
const times = new Map();  // when each position was sent, for `speeds`
/** Milliseconds from a position to its first and to its complete answer, and of the worker's processor; for the benchmark. */
export const speeds = { first: [], complete: [], firstCpu: [], completeCpu: [] };

export function connect(onMessage) {
  receive = onMessage;
  const address = new URL("socket", location.href);
  address.protocol = "ws:";
  socket = new WebSocket(address);
  socket.onmessage = (event) => {
    const message = JSON.parse(event.data);
    if (message.is === "quick" && times.has(message.n)) {
      const passed = performance.now() - times.get(message.n).at;
      if (!times.get(message.n).seen) { speeds.first.push(passed); speeds.firstCpu.push(message.cpu_ms); }
      times.get(message.n).seen = true;
      if (!message.pending) { speeds.complete.push(passed); speeds.completeCpu.push(message.cpu_ms); }
    }
    receive(message);
  };
  socket.onclose = (event) => {
    if (event.code === 4001) return receive({ is: "elsewhere" });
    receive({ is: "cut off" });
    setTimeout(() => connect(onMessage), 800);
  };
}

export function tell(does, content = {}) {
  if (socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify({ do: does, ...content }));
}

/** Send the layout as it is: while dragging ("move"), or let go ("release"). */
export function tellLayout(does, note = "") {
  app.n += 1;
  times.set(app.n, { at: performance.now(), seen: false });
  if (times.size > 2000) times.delete(times.keys().next().value);
  if (does === "release") app.waiting += 1;
  tell(does, { n: app.n, layout: clone(app.layout), view: app.view, note });
  changed();
}

let moving = false;
/** Send the position of a drag, at most once a frame. */
export function tellMove() {
  if (moving) return;
  moving = true;
  requestAnimationFrame(() => {
    moving = false;
    if (app.dragging) tellLayout("move");
  });
}
