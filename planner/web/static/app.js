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
// A file that the server would refuse is refused here, before it is sent and the form is lost.
document.addEventListener("change", (event) => {
  const field = event.target, most = Number(field.dataset ? field.dataset.mostMb : 0);
  if (!most || !field.files) return;
  const old = field.parentElement.querySelector("[data-too-large]");
  if (old) old.remove();
  const large = [...field.files].find((file) => file.size > most * 1048576);
  if (!large) return;
  const told = document.createElement("p");
  told.className = "bad"; told.setAttribute("role", "alert"); told.dataset.tooLarge = "";
  told.textContent = `${large.name}: found ${(large.size / 1048576).toFixed(1)} MB. Expected at most ${most} MB. Split the file, or import it with 'kinshoal register import'.`;
  field.value = "";
  field.after(told);
});
