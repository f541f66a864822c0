"use strict";
// Keys, switching of lights without loading the page anew, and fetching the next pictures ahead.
// Everything works without this file; it only makes it quicker.

const KEYS_OFF = "meniscope-keys-off";

// A key or a glove that bounces, or is held, acted on the page before. This one takes nothing that leads on until it
// has been seen for a moment, and no key that was down in that moment until it has been let go. Fields, lights and
// marks answer at once: nothing is lost by them, and what is typed into a note must not fall on the calls.
const SEEN_MS = 400;
const heldKeys = new Set();
let waking = 0;

function awake() {
  return document.documentElement.dataset.awake === "yes";
}

function fallAsleep() {
  document.documentElement.dataset.awake = "no";
  clearTimeout(waking);
  requestAnimationFrame(() => {
    waking = setTimeout(() => { document.documentElement.dataset.awake = "yes"; }, SEEN_MS);
  });
}

function leadsOn(target) {
  return target !== null && target.matches("form[method=post] button, a[data-key]:not([data-marks-switch])");
}

function released(event) {
  heldKeys.delete(event.code || event.key);
}

function typing(target) {
  return target instanceof HTMLElement && (target.matches("input:not([type=hidden], [type=checkbox]), select, textarea")
    || target.isContentEditable);
}

function keysOn() {
  try {
    return localStorage.getItem(KEYS_OFF) !== "1";
  } catch {
    return true;
  }
}

function showLayer(link) {
  const name = link.dataset.layer;
  for (const other of document.querySelectorAll("a.layer[data-layer]")) {
    if (other === link) other.setAttribute("aria-current", "true");
    else other.removeAttribute("aria-current");
  }
  for (const picture of document.querySelectorAll("img.large")) {
    picture.src = picture.src.replace(/\/[a-z0-9]+\.jpg$/, `/${name}.jpg`);
  }
}

function stepLayer(step) {
  const links = [...document.querySelectorAll("a.layer[data-layer]")];
  const now = links.findIndex((link) => link.hasAttribute("aria-current"));
  if (links.length) showLayer(links[(now + step + links.length) % links.length]);
}

const MARKS = "meniscope-marks";

function showMarks(on) {
  for (const looks of document.querySelectorAll(".looks[data-marks]")) looks.dataset.marks = on ? "on" : "off";
  for (const words of document.querySelectorAll("[data-marks-switch] [data-words]")) {
    words.textContent = `Marks: ${on ? "on" : "off"}`;
  }
}

function switchMarks() {
  const on = document.querySelector(".looks[data-marks]").dataset.marks !== "on";
  showMarks(on);
  try {
    localStorage.setItem(MARKS, on ? "on" : "off");
  } catch { /* private windows may refuse; the choice then holds for this page */ }
}

function recallMarks() {
  if (new URLSearchParams(location.search).has("marks")) return;
  try {
    if (localStorage.getItem(MARKS) === "off") showMarks(false);
  } catch { /* the marks stay as the server drew them */ }
}

function dialogOf(button, what) {
  return document.getElementById(button.dataset[what]);
}

function pressed(event) {
  if (event.ctrlKey || event.altKey || event.metaKey || event.defaultPrevented) return;
  if (typing(event.target)) {
    if (event.key === "Escape") {
      event.target.blur();
      document.getElementById("main").focus();
    }
    return;
  }
  if (!keysOn() || document.querySelector("dialog[open]")) return;
  if (event.key === "ArrowLeft" || event.key === "ArrowRight") {
    if (!document.querySelector("a.layer[data-layer]")) return;
    event.preventDefault();
    stepLayer(event.key === "ArrowLeft" ? -1 : 1);
    return;
  }
  // Enter presses what has the focus; where nothing has it, it goes on where the page has one way on.
  if (!awake()) heldKeys.add(event.code || event.key);
  if (event.repeat || (event.key === "Enter" && ![document.body, document.getElementById("main")].includes(event.target))) return;
  const target = document.querySelector(`[data-key="${CSS.escape(event.key.toLowerCase())}"]`);
  if (!target) return;
  event.preventDefault();
  if (leadsOn(target) && (!awake() || heldKeys.has(event.code || event.key))) return;
  if (target.matches("input, select")) target.focus();
  else target.click();
}

function sayKeys() {
  for (const button of document.querySelectorAll("[data-switch=keys]")) {
    button.textContent = keysOn() ? "Turn single keys off" : "Turn single keys on";
  }
  document.documentElement.dataset.keys = keysOn() ? "on" : "off";
}

function clicked(event) {
  const marks = event.target.closest("[data-marks-switch]");
  if (marks && !event.ctrlKey && !event.metaKey && !event.shiftKey) {
    event.preventDefault();
    switchMarks();
    return;
  }
  const layer = event.target.closest("a.layer[data-layer]");
  if (layer && !event.ctrlKey && !event.metaKey && !event.shiftKey) {
    event.preventDefault();
    showLayer(layer);
    return;
  }
  const button = event.target.closest("button");
  if (!button) return;
  if (button.dataset.opens) dialogOf(button, "opens").showModal();
  if (button.dataset.closes) dialogOf(button, "closes").close();
  if (button.dataset.switch === "keys") {
    try {
      localStorage.setItem(KEYS_OFF, keysOn() ? "1" : "0");
    } catch { /* private windows may refuse; keys then stay on */ }
    sayKeys();
  }
  if ("prints" in button.dataset) window.print();
}

// A second touch of the button before is none of the button that the next page shows in its place.
function touched(event) {
  if (awake() || event.detail === 0 || !leadsOn(event.target.closest("button, a"))) return;
  event.preventDefault();
  event.stopPropagation();
}

// A decision is sent once, however often a glove touches the button, and nothing else beside it meanwhile.
function sent(event) {
  if (event.target.dataset.sent) event.preventDefault();
  event.target.dataset.sent = "1";
  fallAsleep();
}

function missing(event) {
  if (event.target instanceof HTMLImageElement) event.target.classList.add("missing");
}

function fetchAhead() {
  for (const list of document.querySelectorAll("[data-preload]")) {
    for (const address of list.dataset.preload.split(" ")) new Image().src = address;
  }
}

fallAsleep();
document.addEventListener("keydown", pressed);
document.addEventListener("keyup", released);
document.addEventListener("click", touched, true);
document.addEventListener("click", clicked);
document.addEventListener("submit", sent);
document.addEventListener("error", missing, true);
window.addEventListener("pageshow", (event) => {
  if (event.persisted) fallAsleep();
  for (const form of document.forms) delete form.dataset.sent;
});
window.addEventListener("load", fetchAhead);
for (const hidden of document.querySelectorAll("button[data-opens][hidden], button[data-prints][hidden]")) {
  hidden.hidden = false;
}
recallMarks();
sayKeys();
