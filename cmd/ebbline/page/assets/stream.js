// One stream of events for all tabs of a browser: a host gets no more than six
// connections, and sixteen open pages must not starve each other. It is open
// while at least one tab is looked at.
const awake = new Set(); // ports
let source = null;
let timer = 0;

const tell = (word) => { for (const port of awake) port.postMessage(word); };

function listen() {
  clearTimeout(timer);
  if (source || !awake.size) return;
  source = new EventSource("/events");
  source.addEventListener("hello", () => tell("hello"));
  source.addEventListener("changed", () => tell("changed"));
  source.addEventListener("error", () => {
    tell("error");
    if (source?.readyState === EventSource.CLOSED) { stop(); timer = setTimeout(listen, 5000); }
  });
}

function stop() {
  source?.close();
  source = null;
}

globalThis.addEventListener("connect", (e) => {
  const [port] = e.ports;
  port.onmessage = ({ data }) => {
    if (data === "asleep") {
      awake.delete(port);
      if (!awake.size) stop();
      return;
    }
    awake.add(port);
    if (source?.readyState === EventSource.OPEN) port.postMessage("hello");
    listen();
  };
});
