// Keying in paper: Enter goes along the line and then down like Tab, Shift and Enter back; a fault gets the focus.
"use strict";
document.addEventListener("keydown", (event) => {
  const here = event.target;
  if (event.key !== "Enter" || event.isComposing || !here.closest || !here.closest("form.keyed")) return;
  if (here.tagName === "BUTTON") return;
  event.preventDefault();
  const stops = [...here.form.elements].filter((e) => !e.disabled && e.type !== "hidden" && /^(INPUT|SELECT|BUTTON)$/.test(e.tagName));
  const next = stops[stops.indexOf(here) + (event.shiftKey ? -1 : 1)];
  if (next) { next.focus(); if (next.select && next.type !== "checkbox") next.select(); }
});
document.addEventListener("DOMContentLoaded", () => {
  const first = document.querySelector("form.keyed [aria-invalid='true']") || document.querySelector("#wrong, #judged");
  if (first) { if (!first.matches("input, select")) first.setAttribute("tabindex", "-1"); first.focus(); }
});
