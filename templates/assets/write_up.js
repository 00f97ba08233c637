// The page on which work is written up: rows are added in place, what is ticked opens its values, verdicts appear while typing.
"use strict";
const page = document.querySelector("form[data-probe]");

page.addEventListener("click", (event) => {
  const button = event.target.closest("button[name=add]");
  if (!button) return;
  const row = button.value.endsWith(".readings") ? addReading(page, button.value.slice(0, -9)) : addRow(page, button.value);
  if (!row) return;
  event.preventDefault();
  offer();
  (row.matches("input") ? row : row.querySelector("input:not([type=hidden]), select")).focus();
});

// What belongs to nothing that is ticked stays out of the way, unless something was typed in it.
function follow(ticked) {
  const boxes = [...page.querySelectorAll("[name=due]:checked")].map((box) => box.value.slice(-8));
  for (const details of page.querySelectorAll("details[data-for]")) {
    const meant = details.dataset.for.split(" ").some((id) => boxes.includes(id));
    if (ticked && details.dataset.for.includes(ticked.value.slice(-8))) details.open = meant;
    const typed = [...details.querySelectorAll("input:not([type=hidden])")].some((input) => (input.checked ?? false) !== input.defaultChecked || input.value !== input.defaultValue);
    details.hidden = details.dataset.for !== "" && !meant && !typed && !details.open;
  }
  offer();
}
// A photograph shows something that is ticked.
function offer() {
  for (const select of page.querySelectorAll("[name^='photos.'][name$='.of']")) {
    const chosen = select.value;
    select.length = 1;
    for (const box of page.querySelectorAll("[name=due]:checked")) select.add(new Option(box.parentElement.querySelector("b").textContent, box.value));
    select.value = chosen;
    if (!select.value) select.selectedIndex = 0;
  }
}
// Something that comes later brings its values along once it is ticked, as long as there is signal.
async function fetchFor(box) {
  const body = new URLSearchParams([...new FormData(page)].filter(([, value]) => typeof value === "string"));
  body.set("add", "ticked");
  try {
    const answer = await fetch(page.getAttribute("action"), { method: "POST", body });
    const found = new DOMParser().parseFromString(await answer.text(), "text/html");
    const waiting = [...page.querySelectorAll("input[data-kept]")];
    for (const details of found.querySelectorAll("details[data-for]")) {
      const here = document.getElementById(details.querySelector("fieldset").id)?.closest("details");
      if (!here) document.getElementById("values").append(details);
      else if (waiting.some((kept) => details.querySelector(`[name="${kept.name}"]`))) here.replaceWith(details);
    }
    // What a draft brought back without a field of its own has one now.
    for (const kept of waiting) if ([...page.elements].some((field) => field.name === kept.name && !("kept" in field.dataset))) kept.remove();
    for (const box of page.querySelectorAll("[data-limits]")) judge(box.firstElementChild);
    follow(box);
  } catch {
    // Without signal the work is written up without them.
  }
}
for (const button of page.querySelectorAll("[data-plain]")) button.parentElement.hidden = true;
page.addEventListener("change", (event) => {
  if (event.target.name === "due") {
    follow(event.target);
    if (isBare(event.target)) fetchFor(event.target);
  }
  judge(event.target);
});
follow();
const isBare = (box) => box.checked && !page.querySelector(`details[data-for~="${box.value.slice(-8)}"]`);
if (page.querySelector("input[data-kept]")) fetchFor();

// Each photograph is sent as soon as it is chosen, and then waits for the form. One that cannot be sent now goes with the form.
page.addEventListener("change", async ({ target: input }) => {
  if (input.type !== "file" || !input.files.length) return;
  const files = [...input.files];
  const sent = [];
  try {
    for (const file of files) {
      const body = new FormData();
      body.append(input.name, file);
      const answer = await fetch("/photos", { method: "POST", body });
      if (!answer.ok || answer.redirected) return;
      sent.push(await answer.text());
    }
  } catch {
    return;
  }
  if (files.some((file, place) => input.files[place] !== file)) return;
  input.value = "";
  input.insertAdjacentHTML("afterend", sent.join(""));
  page.dispatchEvent(new Event("input"));
});

// A figure as the server reads it: digits may be grouped, a lone comma is a decimal one.
function figure(text) {
  let digits = text.replace(/[\s’']/g, "");
  if (/^[^.,]*,\d*$/.test(digits) && !/,\d{3}$/.test(digits)) digits = digits.replace(",", ".");
  else if (/^-?\d{1,4}(,\d{3})+(\.\d+)?$/.test(digits)) digits = digits.replaceAll(",", "");
  return /^-?(\d+\.?\d*|\.\d+)$/.test(digits) ? Number(digits) : NaN;
}
const reduced = {
  min: (all) => Math.min(...all),
  max: (all) => Math.max(...all),
  mean: (all) => all.reduce((sum, one) => sum + one, 0) / all.length,
  range: (all) => Math.max(...all) - Math.min(...all),
  last: (all) => all.at(-1),
};
// The decision of ISO 14253-1, as the server makes it: equal means equal within 1 part in 10^9.
function decide(y, u, lower, upper) {
  const slack = (limit) => 1e-9 * Math.max(Math.abs(y), Math.abs(u), Math.abs(limit));
  const below = (one, limit) => one < limit - slack(limit);
  const above = (one, limit) => one > limit + slack(limit);
  if ((lower !== null && below(y + u, lower)) || (upper !== null && above(y - u, upper))) return 2;
  return (lower === null || !below(y - u, lower)) && (upper === null || !above(y + u, upper)) ? 0 : 1;
}
const words = ["Within", "Too close to call", "Outside"];
// SI units in one of each, and the zero of temperatures.
const si = { mm: 0.001, in: 0.0254, "1/32in": 0.00079375, m: 1, psi: 6894.757293168361, kPa: 1000, bar: 1e5, "N.m": 1, "ft-lb": 1.3558179483314004, "in-lb": 0.1129848290276167, "kgf.m": 9.80665, degF: 5 / 9, percent: 0.01, g: 0.001, oz: 0.028349523125, kg: 1, lb: 0.45359237, mL: 1e-6, L: 0.001, "fl-oz": 2.95735295625e-5 };
const zero = { degC: 273.15, degF: 459.67 / 1.8 };
const newtons = { N: 1, lbf: 4.4482216152605 };

function judge(field) {
  const own = field.closest("[data-limits]");
  for (const box of own ? [own] : (field.closest("fieldset")?.querySelectorAll("[data-limits]") ?? [])) box.querySelector(".verdict").textContent = verdict(box);
}
function verdict(box) {
  const value = (selector) => box.querySelector(selector)?.value ?? "";
  const typed = [...box.querySelectorAll("input")].filter((input) => /\.(readings|stages)\./.test(input.name)).map((input) => input.value.trim());
  const all = typed.filter(Boolean).map(figure);
  if (!all.length || !box.dataset.limits) return "";
  if (all.some(Number.isNaN)) return "This is no figure; write digits, such as 10.5.";
  const unit = box.querySelector("select[name$='.unit'], select[name*='.unit.']").value;
  let y = reduced[box.dataset.reduce](all);
  const lengths = ["adapter", "wrench"].map((name) => box.parentElement.querySelector(`input[name$='.${name}']`)?.value.trim() ?? "");
  if (lengths.some(Boolean)) {
    const [adapter, wrench] = lengths.map(figure);
    if (!(adapter >= 0 && wrench > 0)) return "No verdict: type both lengths.";
    y *= (wrench + adapter) / wrench;
  }
  const shown = typed.find((text) => figure(text) === y) ?? Number(y.toPrecision(9));
  const step = figure(value("input[name$='.resolution']"));
  const u = step > 0 ? step / 2 : 0;
  if (box.dataset.force) {
    const force = figure(value("input[name$='.force']")) * newtons[value("select[name$='.force_unit']")];
    if (!(Math.abs(force - box.dataset.force) <= 0.02 * box.dataset.force)) return "No verdict: the limit holds at another force.";
  }
  let worst = -1;
  let kinds = [];
  for (const limit of box.dataset.limits.split(";")) {
    const [kind, lower, upper, own] = limit.split("|");
    const [scale, size] = [si[unit] ?? 1, si[own] ?? 1];
    const to = (figure) => (unit === own ? figure : (figure * scale + (zero[unit] ?? 0) - (zero[own] ?? 0)) / size);
    const bound = (text) => (text === "" ? null : Number(text));
    const found = decide(to(y), (u * scale) / size, bound(lower), bound(upper));
    if (found > worst) [worst, kinds] = [found, []];
    if (found === worst) kinds.push(kind);
  }
  if (kinds[0] === "torque") return words[worst].toLowerCase();
  const where = all.length > 1 && box.dataset.place ? ` ${box.dataset.place}` : "";
  const span = u ? ` ± ${Number(u.toPrecision(6))} ${unit}` : "";
  const what = worst === 2 ? ` the ${kinds.join(" and the ")} limit` : "";
  const next = worst === 1 ? ": measure again with a finer gauge" : "";
  return `${words[worst]}${what}${where}, ${shown} ${unit}${span}${next}.`;
}
page.addEventListener("input", (event) => judge(event.target));
for (const box of page.querySelectorAll("[data-limits]")) judge(box.firstElementChild);
