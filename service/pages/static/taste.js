// Keeps what is typed through a reload, and asks again when the network comes back. The server takes the same answer
// only once, and the pages work without this file.
"use strict";
(() => {
  const busy = [429, 503];
  const trouble = document.getElementById("trouble");
  const patiently = async (ask, words, wait = 1000) => {
    try {
      const answer = await ask();
      if (!busy.includes(answer.status)) return answer;
    } catch {
      // Nothing came back: whether it arrived is for the server to know.
    }
    trouble.textContent = words;
    await new Promise((later) => setTimeout(later, wait));
    return patiently(ask, words, Math.min(wait * 2, 30000));
  };

  const next = document.getElementById("next");
  if (next) {
    next.addEventListener("click", async (event) => {
      event.preventDefault();
      await patiently(() => fetch(next.href), "No connection. The next set is shown when the network is back.");
      location.assign(next.href);
    });
  }

  const form = document.getElementById("answer");
  if (!form) return;
  const place = `${location.pathname}#${form.dataset.set}`;
  const kept = new URLSearchParams(sessionStorage.getItem(place) || "");
  for (const field of form.elements) {
    if (!field.name || field.type === "hidden" || !kept.has(field.name)) continue;
    if (field.type === "radio" || field.type === "checkbox") field.checked = kept.getAll(field.name).includes(field.value);
    else field.value = kept.get(field.name);
  }
  const written = () => new URLSearchParams(new FormData(form));
  form.addEventListener("input", () => {
    const draft = written();
    draft.delete("mark");
    sessionStorage.setItem(place, draft.toString());
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    for (const button of form.querySelectorAll("button")) button.disabled = true;
    const answer = await patiently(
      () => fetch(form.action, { method: "POST", body: written(), credentials: "same-origin" }),
      "No connection. Your answer is kept on this device, and is sent when the network is back.",
    );
    if (answer.redirected) {
      sessionStorage.removeItem(place);
      location.assign(answer.url);
    } else {
      form.submit();
    }
  });
})();
