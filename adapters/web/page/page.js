// Keeps the page live while somebody looks at it. Without this script the page
// does the same, on reload.
"use strict";

const live = document.getElementById("live");
let source = null;

// put shows a part's new contents; the keyboard stays where it was.
function put(part) {
  const box = document.getElementById(part.id);
  if (!box) return;
  const at = box.contains(document.activeElement) ? document.activeElement.id : "";
  const before = heading();
  box.innerHTML = part.html; // made and escaped by the gateway
  if (at) document.getElementById(at)?.focus({ preventScroll: true });
  if (part.id === "well") well(before);
  if (part.id === "day") dispatchEvent(new Event("day")); // plots.js draws it
}

const heading = () => document.querySelector("#well h2")?.textContent ?? "";

// well says in the title, and to screen readers, when something has changed.
function well(before) {
  const now = heading();
  const station = document.querySelector("h1").textContent;
  document.title = document.querySelector("#well .troubles") ? "(!) " + station : station;
  if (now !== before) document.getElementById("tell").textContent = now;
}

function watch() {
  if (source) return;
  source = new EventSource("/events");
  source.addEventListener("part", (e) => put(JSON.parse(e.data)));
  source.addEventListener("look", (e) => { live.textContent = "live, " + JSON.parse(e.data); live.className = ""; });
  source.addEventListener("error", () => {
    live.className = "bad";
    live.textContent = source.readyState === EventSource.CLOSED
      ? "not live: reload the page" : "the gateway does not answer, trying again";
  });
}

function rest() {
  source?.close();
  source = null;
}

document.addEventListener("visibilitychange", () => (document.hidden ? rest() : watch()));
addEventListener("pagehide", rest);
addEventListener("pageshow", () => { if (!document.hidden) watch(); });
