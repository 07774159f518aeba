"use strict";
// Pointing lights up what belongs together; tables sort and filter; everything else works without this script.

// --- one key, everywhere it is shown

let pinned = "";
let shown = "";

function light(key) {
  if (key === shown) return;
  for (const part of document.querySelectorAll(".lit")) part.classList.remove("lit");
  shown = key;
  if (!key) return;
  for (const part of document.querySelectorAll(`[data-about~="${key}"], [data-key="${key}"]`)) part.classList.add("lit");
}

function keyAt(target) {
  const part = target instanceof Element ? target.closest("[data-key]") : null;
  return part ? part.dataset.key : "";
}

document.addEventListener("pointerover", (event) => light(keyAt(event.target) || pinned));
document.addEventListener("focusin", (event) => light(keyAt(event.target) || pinned));
document.addEventListener("click", (event) => {
  const key = keyAt(event.target);
  if (key) pinned = key;
});
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") {
    pinned = "";
    light("");
  }
});

// --- cards open when a link leads to them

function openCard() {
  const card = document.getElementById(decodeURIComponent(location.hash.slice(1)));
  for (let part = card; part; part = part.parentElement) if (part.tagName === "DETAILS") part.open = true;
  if (card) card.scrollIntoView();
}
window.addEventListener("hashchange", openCard);
if (location.hash) openCard();

