// What the pages gain with script; all of them work without it.
"use strict";

// A form with data-probe asks first whether the server can be reached: without signal nothing is sent, and what was typed stays.
addEventListener(
  "submit",
  (event) => {
    const { target: form, submitter } = event;
    if (!form.dataset.probe || form.dataset.reached) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (form.dataset.asking) return;
    form.dataset.asking = "yes";
    form.querySelector(".unsent")?.remove();
    form.dispatchEvent(new Event("keep"));
    fetch(form.dataset.probe, { method: "HEAD", cache: "no-store", signal: AbortSignal.timeout(8000) })
      .then(
        () => {
          form.dataset.reached = "yes";
          form.requestSubmit(submitter);
        },
        () => {
          const kept = store ? "What you typed is kept on this device." : "Leave this page open.";
          const note = say(`No connection: nothing was sent. ${kept} Save again when there is signal.`);
          note.classList.add("unsent");
          (form.querySelector(".save") ?? form).prepend(note);
        },
      )
      .finally(() => delete form.dataset.asking);
  },
  true,
);
function say(text) {
  const note = document.createElement("p");
  note.className = "said";
  note.setAttribute("role", "status");
  note.textContent = text;
  return note;
}

// A second tap on a button does not send a form twice. (The one-time key would catch it; this saves the wait.)
addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.sent && Date.now() - form.dataset.sent < 10000) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = Date.now();
  for (const button of form.querySelectorAll("button")) button.setAttribute("aria-disabled", "true");
});
addEventListener("pageshow", () => {
  for (const form of document.forms) for (const mark of ["sent", "reached", "asking"]) delete form.dataset[mark];
  for (const button of document.querySelectorAll("button[aria-disabled]")) button.removeAttribute("aria-disabled");
});

// A form with data-draft keeps what is typed on this device until the server has answered, together with its one-time key: sent again
// after a lost signal, it is still stored once only.
const prefix = "draft ";
const store = (() => {
  try {
    localStorage.setItem("draft?", "");
    localStorage.removeItem("draft?");
    return localStorage;
  } catch {
    return null;
  }
})();

if (store && document.querySelector("[data-said]")) {
  const sent = sessionStorage.getItem("draft sent");
  if (sent) store.removeItem(prefix + sent);
  sessionStorage.removeItem("draft sent");
}
// Signing out takes the drafts along; a session that merely ran out keeps them.
document.querySelector('form[action="/sign-out"]')?.addEventListener("submit", () => {
  for (const name of store ? Object.keys(store) : []) if (name.startsWith(prefix)) store.removeItem(name);
});

// Only what the server answered to a draft lets it go, not the answer to another form.
addEventListener("submit", (event) => {
  if (store && !event.target.dataset.draft) sessionStorage.removeItem("draft sent");
});

for (const form of store ? document.querySelectorAll("form[data-draft]") : []) {
  const name = form.dataset.draft;
  const read = () => [...new FormData(form)].filter(([, value]) => typeof value === "string");
  const first = JSON.stringify(read().filter(([field]) => field !== "once"));
  const kept = store.getItem(prefix + name);
  if (kept && !form.querySelector("[aria-invalid]")) restore(form, name, JSON.parse(kept));
  let waiting;
  form.addEventListener("input", () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => {
      const now = read();
      if (JSON.stringify(now.filter(([field]) => field !== "once")) !== first) store.setItem(prefix + name, JSON.stringify(now));
    }, 300);
  });
  form.addEventListener("keep", () => store.setItem(prefix + name, JSON.stringify(read())));
  form.addEventListener("submit", () => {
    clearTimeout(waiting);
    store.setItem(prefix + name, JSON.stringify(read()));
    sessionStorage.setItem("draft sent", name);
  });
}

function restore(form, name, pairs) {
  const values = new Map();
  for (const [field, value] of pairs) values.set(field, [...(values.get(field) ?? []), value]);
  for (const field of values.keys()) if (!form.elements[field] && !field.endsWith(".kept")) addMissing(form, field, values.get(field).length);
  // Photographs that wait for the form go on waiting.
  for (const [field, kept] of values) {
    for (const value of field.endsWith(".kept") ? kept : []) {
      const input = Object.assign(document.createElement("input"), { type: "hidden", name: field, value });
      form.append(input);
    }
  }
  for (const field of form.elements) {
    if (field.name.endsWith(".kept")) continue;
    if (!field.name || ["password", "submit", "button", "fieldset"].includes(field.type)) continue;
    const held = values.get(field.name);
    if (field.type === "checkbox" || field.type === "radio") field.checked = held?.includes(field.value) || (field.name === "due" && field.defaultChecked);
    else if (held?.length) field.value = held.shift();
  }
  const note = say("What you typed here before is back. ");
  const drop = document.createElement("button");
  drop.type = "button";
  drop.className = "plain";
  drop.textContent = "Begin anew";
  drop.addEventListener("click", () => {
    store.removeItem(prefix + name);
    location.reload();
  });
  note.append(drop);
  form.prepend(note);
}

// Rows of a form: an empty one lies in a template of its kind, with __ where its number goes; the long lists are filled in here.
function addRow(form, kind, name) {
  const template = document.querySelector(`template[data-kind="${kind}"]`);
  const place = document.getElementById("rows-" + kind);
  if (!template || !place) return null;
  for (let number = 0; !name; number++) if (!form.elements[`${kind}.r${number}`]) name = `${kind}.r${number}`;
  const row = template.content.querySelector("fieldset").cloneNode(true);
  for (const part of [row, ...row.querySelectorAll("*")])
    for (const { name: attribute, value } of [...part.attributes]) if (value.includes(kind + ".__")) part.setAttribute(attribute, value.replaceAll(kind + ".__", name));
  for (const list of document.querySelectorAll("template[data-options]")) {
    const select = row.querySelector(`select[name="${name}.${list.dataset.options}"]`);
    if (select) select.append(list.content.cloneNode(true));
  }
  place.before(row);
  return row;
}
function addReading(form, row) {
  const all = [...form.elements].filter((field) => field.name?.startsWith(row + ".readings."));
  const last = all.at(-1);
  if (!last?.closest(".field")) return null;
  const name = `${row}.readings.${Number(last.name.slice(row.length + 10)) + 1}`;
  const field = last.closest(".field").cloneNode(true);
  for (const extra of field.querySelectorAll("select, .message")) extra.remove();
  const input = field.querySelector("input");
  input.id = input.name = name;
  input.value = "";
  field.querySelector("label").htmlFor = name;
  field.querySelector("label").textContent = all.length + 1;
  last.closest(".field").after(field);
  return input;
}
// A draft may hold rows that the page does not have; what belongs to none is sent along all the same.
function addMissing(form, name, count) {
  const row = /^(\w+)\.r\d+$/.exec(name);
  if (row && addRow(form, row[1], name)) return;
  const reading = /^(measured\..+)\.readings\.\d+$/.exec(name);
  while (reading && !form.elements[name] && addReading(form, reading[1]));
  if (form.elements[name] || name === "due" || name === "follow_ups_done" || /\.(r\d+)\./.test(name)) return;
  while (count--) {
    const input = Object.assign(document.createElement("input"), { type: "hidden", name });
    input.dataset.kept = "";
    form.append(input);
  }
}

// A way to a row opens it.
function openTarget() {
  const target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  const details = target && (target.matches("details") ? target : target.querySelector("details"));
  if (details) details.open = true;
}
addEventListener("hashchange", openTarget);
openTarget();
