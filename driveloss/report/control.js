// Losses at any frequency from the table in the page. Nothing is fetched.
"use strict";
(() => {
  const grid = JSON.parse(document.getElementById("loss-grid").textContent);
  const { first, step, count } = grid.frequency;
  const last = first * Math.exp(step * (count - 1));
  const at = (id) => document.getElementById(id);
  const [cylinder, pressure, frequency, slider] = ["cylinder", "pressure", "frequency", "slider"].map((x) => at("ask-" + x));
  const minus = (text) => text.replace("-", "\u2212");

  // A cubic through four neighbours in ln f.
  function interpolated(values, f) {
    const x = Math.log(f / first) / step;
    const from = Math.min(Math.max(Math.floor(x) - 1, 0), count - 4);
    let sum = 0;
    for (let i = from; i < from + 4; i++) {
      let weight = values[i];
      for (let j = from; j < from + 4; j++) if (j !== i) weight *= (x - j) / (i - j);
      sum += weight;
    }
    return sum;
  }

  function element(name, text, attributes = {}) {
    const made = document.createElement(name);
    made.textContent = text;
    Object.entries(attributes).forEach(([key, value]) => made.setAttribute(key, value));
    return made;
  }

  const chosen = () => grid.series[Number(pressure.value)];

  function offerPressures() {
    const name = grid.series[Number(cylinder.value)].cylinder;
    pressure.replaceChildren(...grid.series.flatMap((series, index) =>
      series.cylinder === name ? element("option", series.pressure ?? "none", { value: index }) : []));
    at("ask-pressure-place").hidden = name === null;
  }

  function row([key, label, unit], f) {
    const columns = chosen().parts[key];
    if (columns === null) return [];
    const [value, low, high] = columns.map((values) => interpolated(values, f));
    const half = (high - low) / 2;
    const places = Math.min(Math.max(1 - Math.floor(Math.log10(half)), 0), 6);  // two digits of half, as in the tables
    const written = (x) => minus(half > 0 ? x.toFixed(places) : String(Number(x.toPrecision(5))));
    const made = document.createElement("tr");
    made.dataset.part = key;
    made.append(element("th", label, { scope: "row", class: "words" }));
    made.append(...[value, low, high].map((x) => element("td", written(x))));
    made.append(element("td", unit, { class: "words" }));
    return made;
  }

  function remark(text, alarming) {
    at("ask-remark").textContent = text;
    at("ask-remark").className = alarming ? "alarm" : "quiet";
  }

  function show() {
    const f = frequency.valueAsNumber;
    const series = chosen();
    const place = series.cylinder === null ? "drive alone" : series.cylinder + " at " + series.pressure;
    const inside = f >= first && f <= last;
    frequency.setAttribute("aria-invalid", String(!inside));
    at("ask-rows").replaceChildren(...(inside ? grid.parts.flatMap((part) => row(part, f)) : []));
    at("ask-caption").textContent = inside ? place + ", " + f + " Hz" : place;
    at("ask-flags").replaceChildren(...series.flags.map((sentence) => element("li", sentence)));
    const [low, high] = series.calibrated;
    const span = low.toPrecision(3) + " to " + high.toPrecision(3) + " Hz";
    if (!inside) remark("Expected a frequency from " + first.toFixed(2) + " to " + last.toFixed(2) + " Hz.", true);
    else if (f < low || f > high) remark("Extrapolated: outside the calibrated range, " + span + ".", true);
    else remark("Inside the calibrated range, " + span + ".", false);
  }

  function start() {
    const names = grid.series.map((series) => series.cylinder);
    names.forEach((name, index) => {
      if (names.indexOf(name) === index) cylinder.append(element("option", name ?? "drive alone", { value: index }));
    });
    cylinder.selectedIndex = Math.min(1, cylinder.options.length - 1);
    const [low, high] = grid.series[Number(cylinder.value)].calibrated;
    const fine = 10 ** Math.floor(Math.log10(last / 200));
    const round = (x, way) => Number((way(x / fine) * fine).toPrecision(8));
    Object.assign(slider, { min: round(first, Math.ceil), max: round(last, Math.floor), step: fine });
    Object.assign(frequency, { min: slider.min, max: slider.max, value: round((low + high) / 2, Math.round) });
    slider.value = frequency.value;
    offerPressures();
    at("ask").hidden = false;
    show();
  }

  cylinder.addEventListener("change", () => { offerPressures(); show(); });
  pressure.addEventListener("change", show);
  frequency.addEventListener("input", () => { slider.value = frequency.value; show(); });
  slider.addEventListener("input", () => { frequency.value = slider.value; show(); });
  at("ask").addEventListener("submit", (event) => event.preventDefault());

  // Only what scrolls needs a stop for the Tab key.
  function stops() {
    for (const region of document.querySelectorAll(".scroll")) {
      if (region.scrollWidth > region.clientWidth) region.tabIndex = 0;
      else region.removeAttribute("tabindex");
    }
  }

  // On paper what is folded is unfolded where it adds something.
  let unfolded = [];
  function unfold() {
    unfolded = [...document.querySelectorAll("details.printed:not([open])")];
    unfolded.forEach((fold) => { fold.open = true; });
  }

  start();
  stops();
  addEventListener("resize", stops);
  document.addEventListener("toggle", stops, true);
  addEventListener("beforeprint", unfold);
  addEventListener("afterprint", () => unfolded.forEach((fold) => { fold.open = false; }));
})();
