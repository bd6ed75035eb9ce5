// A button beside every password field that shows what is typed: with wet gloves on a phone nobody types four words blind.
document.addEventListener("DOMContentLoaded", () => {
  for (const field of document.querySelectorAll("input[type=password]")) {
    const button = document.createElement("button");
    const set = (shown) => {
      field.type = shown ? "text" : "password";
      button.textContent = shown ? "Hide" : "Show";
      button.setAttribute("aria-label", `${button.textContent} the password`);
    };
    button.type = "button";
    button.className = "reveal";
    button.setAttribute("aria-controls", field.id);
    button.addEventListener("click", () => { set(field.type === "password"); field.focus(); });
    field.setAttribute("spellcheck", "false");
    field.setAttribute("autocapitalize", "none");
    field.after(button);
    set(false);
    // Never sent as plain text: a browser would keep it among what was typed into forms.
    if (field.form) field.form.addEventListener("submit", () => set(false));
  }
});
