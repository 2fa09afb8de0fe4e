// The kinship heat map: one cell for each pair, drawn on a canvas, read by hover, touch or arrow keys.
"use strict";
(async () => {
  const box = document.getElementById("heat");
  const answer = await fetch(box.dataset.from);
  if (!answer.ok) { box.textContent = "The heat map could not be made: " + answer.status; return; }
  const data = await answer.json();
  const n = data.fish.length;
  // Each pair is a square of whole pixels, so that edges stay sharp and lines fit between.
  const size = Math.max(1, Math.floor(900 / n));
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = n * size;
  canvas.tabIndex = 0;
  canvas.setAttribute("role", "application");
  canvas.setAttribute("aria-label", `Kinship of ${n} fish by ${n}. Arrow keys move from pair to pair; the pair is read out beside. The closest pairs are also in a table below.`);
  let top = 0.25;
  data.kinship.forEach((v, k) => { if (Math.floor(k / n) !== k % n && v / 1e5 > top) top = v / 1e5; });
  // From pale gravel through water to deep pool: lightness falls all the way, so it reads without colour too.
  const stops = [[246, 244, 238], [178, 208, 206], [86, 142, 152], [24, 72, 86], [6, 22, 30]];
  const shade = (v) => {
    const x = Math.min(v / top, 1) * (stops.length - 1), k = Math.min(Math.floor(x), stops.length - 2), t = x - k;
    return stops[k].map((c, i) => Math.round(c + t * (stops[k + 1][i] - c)));
  };
  const paint = canvas.getContext("2d");
  const small = document.createElement("canvas");
  small.width = small.height = n;
  const image = new ImageData(n, n);
  const known = new Map();
  data.kinship.forEach((v, k) => {
    if (!known.has(v)) known.set(v, [...shade(v / 1e5), 255]);
    image.data.set(known.get(v), 4 * k);
  });
  small.getContext("2d").putImageData(image, 0, 0);
  const output = document.createElement("output");
  output.setAttribute("aria-live", "polite");
  let at = [0, 0];
  const show = (i, j) => {
    at = [i, j];
    paint.imageSmoothingEnabled = false;
    paint.drawImage(small, 0, 0, n * size, n * size);
    paint.lineWidth = 2;
    for (const [colour, out] of [["#ffffff", 2], ["#b3470f", 0]]) {
      paint.strokeStyle = colour;
      paint.strokeRect(-4, i * size - out, n * size + 8, size + 2 * out);
      paint.strokeRect(j * size - out, -4, size + 2 * out, n * size + 8);
    }
    const v = data.kinship[i * n + j] / 1e5;
    output.replaceChildren();
    const add = (tag, words) => { const e = document.createElement(tag); e.textContent = words; output.append(e); return e; };
    add("b", v.toFixed(4));
    add("p", i === j ? "with itself: (1 + F) / 2" : v > data.limit ? `above the pair limit ${data.limit}` : `within the pair limit ${data.limit}`);
    for (const k of i === j ? [i] : [i, j]) { const line = add("p", ""); const name = document.createElement("a"); name.href = "/pedigree?fish=" + encodeURIComponent(data.fish[k]); name.textContent = data.fish[k]; line.append(name, " " + data.facts[k]); }
  };
  const cell = (event) => {
    const r = canvas.getBoundingClientRect();
    const pick = (x, size) => Math.max(0, Math.min(n - 1, Math.floor((x / size) * n)));
    show(pick(event.clientY - r.top, r.height), pick(event.clientX - r.left, r.width));
  };
  canvas.addEventListener("pointermove", cell);
  canvas.addEventListener("pointerdown", cell);
  canvas.addEventListener("keydown", (event) => {
    const step = { ArrowUp: [-1, 0], ArrowDown: [1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1] }[event.key];
    if (!step) return;
    event.preventDefault();
    show(...at.map((x, k) => Math.max(0, Math.min(n - 1, x + step[k] * (event.shiftKey ? 10 : 1)))));
  });
  const scale = document.createElement("div");
  scale.className = "scale";
  scale.style.background = `linear-gradient(90deg, ${stops.map((s) => `rgb(${s})`).join(",")})`;
  const ends = document.createElement("div");
  ends.className = "ends";
  for (const words of ["0", `${top.toFixed(3)} and more`]) { const s = document.createElement("span"); s.textContent = words; ends.append(s); }
  const side = document.createElement("div");
  side.append(output, scale, ends);
  const heat = document.createElement("div");
  heat.className = "heat";
  heat.append(canvas, side);
  box.replaceChildren(heat);
  show(0, Math.min(1, n - 1));
  box.dataset.drawn = String(Math.round(performance.now()));
})();
