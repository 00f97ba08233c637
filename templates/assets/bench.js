// What the pages gain with script; all of them work without it.
"use strict";

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
  for (const form of document.forms) delete form.dataset.sent;
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
  form.addEventListener("submit", () => {
    clearTimeout(waiting);
    store.setItem(prefix + name, JSON.stringify(read()));
    sessionStorage.setItem("draft sent", name);
  });
}

function restore(form, name, pairs) {
  const values = new Map();
  for (const [field, value] of pairs) values.set(field, [...(values.get(field) ?? []), value]);
  for (const field of form.elements) {
    if (!field.name || ["password", "submit", "button", "fieldset"].includes(field.type)) continue;
    const held = values.get(field.name);
    if (field.type === "checkbox" || field.type === "radio") field.checked = held?.includes(field.value) ?? false;
    else if (held?.length) field.value = held.shift();
  }
  const note = document.createElement("p");
  note.className = "said";
  note.setAttribute("role", "status");
  note.textContent = "What you typed here before is back. ";
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

// A way to a row opens it.
function openTarget() {
  const target = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  const details = target && (target.matches("details") ? target : target.querySelector("details"));
  if (details) details.open = true;
}
addEventListener("hashchange", openTarget);
openTarget();
