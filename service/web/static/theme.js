// Sets light or dark before the first paint: the person's choice, or else the device's.
(() => {
  const kept = () => { try { return localStorage.getItem("uw-theme") || ""; } catch { return ""; } };
  const set = (theme) => { if (theme) document.documentElement.dataset.theme = theme; else delete document.documentElement.dataset.theme; };
  set(kept());
  document.addEventListener("DOMContentLoaded", () => {
    const choice = document.getElementById("theme-choice");
    if (!choice) return;
    for (const input of choice.querySelectorAll("input")) {
      input.checked = input.value === kept();
      input.addEventListener("change", () => {
        try { localStorage.setItem("uw-theme", input.value); } catch { /* private window: only this page */ }
        set(input.value);
      });
    }
  });
})();
