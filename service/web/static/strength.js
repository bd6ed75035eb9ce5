// Beside a new password: how it would stand, while it is typed. The service judges, by the same rules as when it is set.
document.addEventListener("DOMContentLoaded", () => {
  for (const field of document.querySelectorAll("input[autocomplete=new-password]")) {
    const form = field.form, token = form && form.elements.form_token;
    if (!token || field.name === "again") continue;
    const meter = document.createElement("meter"), said = document.createElement("output");
    Object.assign(meter, { min: 0, max: 14, low: 8, high: 10, optimum: 14, value: 0 });
    meter.setAttribute("aria-label", "Strength of the password");
    said.className = "quiet strength";
    said.setAttribute("for", field.id);
    const box = document.createElement("p");
    box.hidden = true;
    box.append(meter, " ", said);
    (field.closest("p") || field).after(box);
    let waiting = 0, asked = 0;
    field.addEventListener("input", () => {
      clearTimeout(waiting);
      const number = ++asked;
      box.hidden = field.value === "";
      if (box.hidden) return;
      waiting = setTimeout(async () => {
        const name = form.elements.name ? form.elements.name.value : form.dataset.person || "";
        try {
          const answer = await fetch("/account/password-strength", {
            method: "POST",
            headers: { "Content-Type": "application/json", "X-Form-Token": token.value },
            body: JSON.stringify({ password: field.value, name }),
          });
          if (!answer.ok || number !== asked) return;
          const { good, guesses, sentence } = await answer.json();
          meter.value = good ? Math.max(guesses, 8) : Math.min(guesses, 7.9);
          said.textContent = sentence;
        } catch { /* no connection: what is weak is refused when it is sent */ }
      }, 400);
    });
  }
});
