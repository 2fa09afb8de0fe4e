// Small things the pages need beside htmx: say what was swapped, keep the focus, one key for the search.
"use strict";
document.addEventListener("htmx:afterSwap", (event) => {
  const say = document.getElementById("say");
  const heading = event.detail.target && event.detail.target.querySelector ? event.detail.target.querySelector("[data-say]") : null;
  if (say && heading) say.textContent = heading.dataset.say;
});
document.addEventListener("htmx:responseError", (event) => {
  const say = document.getElementById("say");
  const words = event.detail.xhr.status === 429 ? "Too many requests. Wait a minute." : "Not done: " + event.detail.xhr.status;
  if (say) say.textContent = words;
  const part = document.createElement("p");
  part.className = "bad"; part.setAttribute("role", "alert"); part.textContent = words + ". Load the page again.";
  event.detail.elt.after(part);
});
document.addEventListener("keydown", (event) => {
  const inField = /^(input|select|textarea)$/i.test(event.target.tagName);
  if (event.key === "/" && !inField) { event.preventDefault(); document.getElementById("find-q").focus(); }
});
