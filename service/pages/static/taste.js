// Keeps what is typed through a reload, and sends an answer again when the network comes back. The server takes the
// same answer only once, and the page works without this file.
"use strict";
(() => {
  const form = document.getElementById("answer");
  if (!form) return;
  const trouble = document.getElementById("trouble");
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
  const send = async (wait) => {
    try {
      const answer = await fetch(form.action, { method: "POST", body: written(), credentials: "same-origin" });
      if (answer.redirected) {
        sessionStorage.removeItem(place);
        location.assign(answer.url);
      } else {
        form.submit();
      }
    } catch {
      trouble.textContent = "No connection. Your answer is kept on this device, and is sent when the network is back.";
      setTimeout(send, wait, Math.min(wait * 2, 30000));
    }
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    for (const button of form.querySelectorAll("button")) button.disabled = true;
    send(1000);
  });
})();
