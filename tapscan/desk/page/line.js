// The line to the desk while taps are collected: sound or orders go out, what became of the taps comes in.

/** Open it; `first` says what shall be walked, `onend` is called once, however it ends. */
export function openLine({ first, onopen = () => {}, onevent, onend }) {
  const socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/capture`);
  // A tablet that nobody touches would darken, and stop listening, in the middle of a zone.
  const awake = navigator.wakeLock?.request("screen").catch(() => null);
  let isOver = false;
  const send = (data) => socket.readyState === WebSocket.OPEN && socket.send(data);
  const end = () => {
    if (isOver) return;
    isOver = true;
    awake?.then((lock) => lock?.release());
    socket.close();
    onend();
  };
  socket.addEventListener("open", () => {
    socket.send(JSON.stringify(first));
    onopen();
  });
  socket.addEventListener("message", (message) => onevent(JSON.parse(message.data)));
  socket.addEventListener("close", end);
  return {
    send,
    end,
    order: (command, point) => send(JSON.stringify({ command, ...(point && { point }) })),
    get waiting() {
      return socket.bufferedAmount;
    },
  };
}
