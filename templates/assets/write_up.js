// The page on which work is written up: rows are added in place, what is ticked opens its values, verdicts appear while typing.
"use strict";
const page = document.querySelector("form[data-probe]");

page.addEventListener("click", (event) => {
  const button = event.target.closest("button[name=add]");
  if (!button) return;
  const row = button.value.endsWith(".readings") ? addReading(page, button.value.slice(0, -9)) : addRow(page, button.value);
  if (!row) return;
  event.preventDefault();
  (row.matches("input") ? row : row.querySelector("input:not([type=hidden]), select")).focus();
});

function follow(box) {
  for (const details of page.querySelectorAll("details[data-for]")) if (details.dataset.for.split(" ").includes(box.value)) details.open = box.checked;
}
page.addEventListener("change", (event) => {
  if (event.target.name === "due") follow(event.target);
  judge(event.target);
});
for (const box of page.querySelectorAll("[name=due]:checked")) follow(box);

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
const newtons = { N: 1, lbf: 4.4482216152605 };

function judge(field) {
  const box = field.closest("[data-limits]");
  const said = box?.querySelector(".verdict");
  if (said) said.textContent = verdict(box);
}
function verdict(box) {
  const value = (selector) => box.querySelector(selector)?.value ?? "";
  const typed = [...box.querySelectorAll("input")].filter((input) => /\.(readings|stages)\./.test(input.name)).map((input) => input.value.trim());
  const all = typed.filter(Boolean).map(figure);
  if (!all.length || !box.dataset.limits) return "";
  if (all.some(Number.isNaN)) return "This is no figure; write digits, such as 10.5.";
  const unit = box.querySelector("select[name$='.unit'], select[name*='.unit.']").selectedOptions[0];
  const { scale, zero } = unit.dataset;
  const y = reduced[box.dataset.reduce](all);
  const step = figure(value("input[name$='.resolution']"));
  const u = step > 0 ? step / 2 : 0;
  if (box.dataset.force) {
    const force = figure(value("input[name$='.force']")) * newtons[value("select[name$='.force_unit']")];
    if (!(Math.abs(force - box.dataset.force) <= 0.02 * box.dataset.force)) return "No verdict: the limit holds at another force.";
  }
  let worst = -1;
  let kinds = [];
  for (const limit of box.dataset.limits.split(";")) {
    const [kind, lower, upper, size, start] = limit.split("|");
    const to = (figure) => (figure * scale + Number(zero) - start) / size;
    const bound = (text) => (text === "" ? null : Number(text));
    const found = decide(to(y), (u * scale) / size, bound(lower), bound(upper));
    if (found > worst) [worst, kinds] = [found, []];
    if (found === worst) kinds.push(kind);
  }
  if (kinds[0] === "torque") return words[worst].toLowerCase();
  const where = all.length > 1 && box.dataset.place ? ` ${box.dataset.place}` : "";
  const span = u ? ` ± ${Number(u.toPrecision(6))} ${unit.value}` : "";
  const what = worst === 2 ? ` the ${kinds.join(" and the ")} limit` : "";
  const next = worst === 1 ? ": measure again with a finer gauge" : "";
  return `${words[worst]}${what}${where}, ${Number(y.toPrecision(9))} ${unit.value}${span}${next}.`;
}
page.addEventListener("input", (event) => judge(event.target));
for (const box of page.querySelectorAll("[data-limits]")) judge(box.firstElementChild);
