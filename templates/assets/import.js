// While a file is tried or stored, says how far that has come. Without it the page simply waits for the answer.
"use strict";
for (const form of document.querySelectorAll("form[data-progress]")) {
  form.addEventListener("submit", () => {
    const place = form.querySelector("[data-said]");
    const ask = async () => {
      try {
        const answer = await fetch(form.dataset.progress, { cache: "no-store" });
        if (answer.status === 200) place.textContent = await answer.text();
        place.hidden = !place.textContent;
      } catch {
        return;
      }
      setTimeout(ask, 700);
    };
    setTimeout(ask, 400);
  });
}
