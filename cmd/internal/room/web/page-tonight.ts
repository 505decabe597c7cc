// The page of tonight follows the night by itself: the server sends its changing
// part whenever that changes.

const live = document.getElementById("live")!;
const lost = document.getElementById("lost")!;
const source = new EventSource("/tonight/live");

source.onmessage = (e: MessageEvent<string>) => {
  lost.hidden = true;
  const held = live.contains(document.activeElement) ? document.activeElement!.id : "";
  live.innerHTML = e.data; // from our own server's template, which escapes
  if (held) document.getElementById(held)?.focus();
};
source.onerror = () => {
  lost.hidden = false;
};
