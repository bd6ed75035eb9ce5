// The core form on a phone: number pad for wet gloves, remembered fields, the result at once, and the list of unsent cores.
(() => {
  const form = document.getElementById("round");
  if (!form || !window.underweir) return;
  const $ = (id) => document.getElementById(id);
  const value = $("value"), inches = $("inches"), said = $("said"), pad = $("pad");
  const remember = (key, text) => { try { localStorage.setItem(`uw-${key}`, text); } catch { /* private window */ } };
  const remembered = (key) => { try { return localStorage.getItem(`uw-${key}`) || ""; } catch { return ""; } };
  const chosen = (name) => form.elements[name] ? form.elements[name].value : "";
  const choose = (name, wanted) => {
    const input = [...form.querySelectorAll(`input[name="${name}"]`)].find((one) => one.value === wanted);
    if (input) input.checked = true;
    const list = form.querySelector(`select[name="${name}"]`);
    if (list && [...list.options].some((one) => one.value === wanted)) list.value = wanted;
  };
  const line = (text, tag = "p") => { const made = document.createElement(tag); made.textContent = text; return made; };
  const button = (text, act, primary) => {
    const made = document.createElement("button");
    made.type = "button"; made.textContent = text; made.addEventListener("click", act);
    if (primary) made.className = "primary";
    return made;
  };
  const notice = (tone, ...parts) => {
    const box = document.createElement("div");
    box.className = `notice verdict ${tone}`;
    box.append(...parts);
    said.replaceChildren(box);
    said.scrollIntoView({ block: "nearest" });
  };

  // units, position and arm as last time on this device
  const fit = () => {
    const unit = chosen("unit");
    const plain = unit === "ft in" ? "ft" : unit;
    for (const span of form.querySelectorAll(".plain-unit")) span.textContent = plain;
    if (inches) $("inches-part").hidden = unit !== "ft in";
  };
  const spot = () => { $("distance").value = remembered(`spot-${chosen("tank")}-${chosen("unit")}`); };
  if (!value.value) { choose("unit", remembered("unit")); choose("arm", remembered("arm")); if (remembered("by")) $("taken_by").value = remembered("by"); }
  $("unit").addEventListener("change", () => { remember("unit", chosen("unit")); fit(); spot(); });
  for (const input of form.querySelectorAll('input[name="arm"]')) input.addEventListener("change", () => remember("arm", input.value));
  for (const input of form.querySelectorAll('input[name="tank"]')) input.addEventListener("change", () => { $("replicate").value = "1"; spot(); field.focus({ preventScroll: true }); });
  $("distance").addEventListener("change", () => remember(`spot-${chosen("tank")}-${chosen("unit")}`, $("distance").value));
  $("taken_by").addEventListener("change", () => remember("by", $("taken_by").value));
  const asked = new URLSearchParams(location.search).get("tank");
  if (asked) choose("tank", asked);
  fit();
  if (chosen("tank")) spot();

  // the pad stands in for the phone's keyboard
  let field = value;
  for (const input of [value, inches]) if (input) input.addEventListener("focus", () => { field = input; });
  if (matchMedia("(pointer: coarse)").matches) {
    pad.hidden = false;
    for (const input of [value, inches]) if (input) input.inputMode = "none";
  }
  pad.addEventListener("click", (event) => {
    const key = event.target.closest("button")?.dataset.key;
    if (!key) return;
    if (key === "⌫") field.value = field.value.slice(0, -1);
    else if (key !== "." || !field.value.includes(".")) field.value += key;
    field.setCustomValidity("");
  });

  // what was read, as it is sent; the time is now unless another was given
  const uuid = () => crypto.randomUUID ? crypto.randomUUID() : "10000000-1000-4000-8000-100000000000".replace(/[018]/g, (c) => (c ^ (crypto.getRandomValues(new Uint8Array(1))[0] & (15 >> (c / 4)))).toString(16));
  const offset = (instant) => {
    const parts = Object.fromEntries(new Intl.DateTimeFormat("en-GB", { timeZone: form.dataset.zone, hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric" }).formatToParts(instant).map((p) => [p.type, p.value]));
    return Date.UTC(parts.year, parts.month - 1, parts.day, parts.hour, parts.minute, parts.second) - Math.floor(instant / 1000) * 1000;
  };
  const moment = (text) => {
    if (!text) return new Date().toISOString();
    const plain = Date.parse(`${text}Z`);
    const late = plain - offset(plain - offset(plain) - 0), first = plain - offset(plain - 86400000), second = plain - offset(plain + 86400000);
    const fits = [first, second, late].filter((t) => t + offset(t) === plain);
    const past = fits.filter((t) => t <= Date.now());
    return new Date(past.length ? Math.max(...past) : (fits.length ? Math.min(...fits) : late)).toISOString();
  };
  const entry = () => ({
    id: form.elements.id.value || uuid(),
    tank: chosen("tank"), taken_at: moment($("when").value),
    value: value.value.trim(), unit: chosen("unit"), inches: inches ? inches.value.trim() : "",
    distance: $("distance").value.trim(), fluff: $("fluff").value.trim(),
    arm: chosen("arm") === "" ? null : Number(chosen("arm")),
    replicate: Number($("replicate").value || 1),
    surface: [...form.querySelectorAll('input[name="surface"]:checked')].map((one) => one.value),
    taken_by: $("taken_by").value.trim(), note: $("note").value.trim(), confirmed: false,
  });
  const clear = () => {
    for (const name of ["value", "inches", "fluff", "note", "when", "photo"]) if ($(name)) $(name).value = "";
    for (const one of form.querySelectorAll('input[name="surface"]')) one.checked = false;
    form.elements.id.value = "";
  };
  // A phone's photo is made small before it waits or travels; where the browser cannot, the service does it.
  const small = async (file) => {
    try {
      const bitmap = await createImageBitmap(file, { imageOrientation: "from-image" });
      const scale = Math.min(1, 1280 / Math.max(bitmap.width, bitmap.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.round(bitmap.width * scale); canvas.height = Math.round(bitmap.height * scale);
      canvas.getContext("2d").drawImage(bitmap, 0, 0, canvas.width, canvas.height);
      return await new Promise((done) => canvas.toBlob((made) => done(made || file), "image/jpeg", 0.85));
    } catch { return file; }
  };
  // In walking order: marks the tank as done, and offers the next unless somebody is typing already.
  const tiles = [...form.querySelectorAll('input[name="tank"]')];
  const counted = new Set();
  let picked = false;  // a tank, since the last core was saved: theirs stands
  for (const one of tiles) one.addEventListener("click", () => { picked = true; });
  const done = (core) => {
    const at = tiles.findIndex((one) => one.value === core.tank);
    if (at < 0) return "";
    tiles[at].closest("label").dataset.done = "";
    const left = [...tiles.slice(at + 1), ...tiles.slice(0, at)].filter((one) => !("done" in one.closest("label").dataset));
    $("round-done").textContent = `${tiles.length - left.length} of ${tiles.length} done in the last ${$("round-done").dataset.takes}`;
    if (left.length && !picked && !counted.has(core.id) && chosen("tank") === core.tank && !value.value && !(inches && inches.value)) {
      choose("tank", left[0].value);
      $("replicate").value = "1";
      spot();
    }
    counted.add(core.id);
    return left.length ? `Next: ${left[0].dataset.label} (${tiles.length - left.length} of ${tiles.length} done).` : "Every tank is done.";
  };
  let last = null;
  let held = null;  // the photo of a core that is being changed
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const one = entry();
    last = one;
    picked = false;
    $("keep").disabled = true;
    const photo = $("photo").files[0] ? await small($("photo").files[0]) : held;
    held = null;
    clear();
    try { await underweir.add(one, photo); }
    catch { notice("danger", line("This device cannot save it. Write it on paper, and log it when you are back.")); }
    $("keep").disabled = false;
  });

  const label = (tank) => form.querySelector(`input[name="tank"][value="${CSS.escape(tank)}"]`)?.dataset.label || tank;
  const words = (one) => `${label(one.tank)}: ${one.value || "0"} ${one.unit === "ft in" ? `ft ${one.inches || "0"} in` : one.unit}, ${new Date(one.taken_at).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", timeZone: form.dataset.zone })}`;
  const again = (one) => {
    choose("tank", one.tank); choose("unit", one.unit); fit();
    value.value = one.value; if (inches) inches.value = one.inches;
    $("distance").value = one.distance; $("fluff").value = one.fluff; $("note").value = one.note; $("replicate").value = one.replicate;
    for (const box of form.querySelectorAll('input[name="surface"]')) box.checked = one.surface.includes(box.value);
    value.focus();
  };

  underweir.listen((items, connection, sent) => {
    for (const verdict of sent) {
      const more = document.createElement("div");
      more.className = "row";
      let next = "";
      if (last && verdict.id === last.id) {
        const core = last;
        next = tiles.length > 1 ? done(core) : "";
        more.append(button("Another from the same spot", () => { choose("tank", core.tank); $("replicate").value = core.replicate + 1; value.focus(); }));
      }
      notice(verdict.sensor_agrees ? "" : "warning", line(`✓ Saved. ${verdict.sentence}`), line(`${verdict.sensor_agrees ? "" : "▲ "}${verdict.sensor_sentence}`), ...(verdict.photo_refused ? [line(`▲ Its photo was not saved: ${verdict.photo_refused}.`)] : []), ...(next ? [line(next)] : []), more);
    }
    const doubt = last && items.find((item) => item.id === last.id);
    if (doubt && doubt.state === "confirm") notice("warning", line("▲ Check again before saving."), ...doubt.said.map((text) => line(text)), row(doubt));
    else if (doubt && doubt.state === "refused") notice("danger", line("■ This value is not possible."), ...doubt.said.map((text) => line(text)), row(doubt));
    else if (doubt && doubt.state === "waiting") { done(last); notice("stale", line(connection === "sign in" ? "✓ Saved on this device. Sign in to send it." : "✓ Saved on this device, with its time. It will be sent when there is a connection.")); }
    const shown = items.filter((item) => !(doubt && doubt.state !== "waiting" && item.id === doubt.id));
    $("queue-panel").hidden = shown.length === 0;
    $("queue-state").textContent = connection === "sign in" ? "Sign in to send them." : connection === "away" ? "No connection: they will be sent when there is one." : "";
    $("queue-list").replaceChildren(...shown.map((item) => {
      const made = document.createElement("li");
      made.append(line(words(item.entry)));
      if (item.state === "waiting") made.append(line(item.photo ? "waiting to be sent, with its photo" : "waiting to be sent"));
      else made.append(...item.said.map((text) => line(text)), row(item));
      return made;
    }));
  });
  const row = (item) => {
    const made = document.createElement("div");
    made.className = "row";
    if (item.state === "confirm") made.append(button("It is correct: save", () => underweir.confirm(item), true));
    made.append(button("Edit", async () => { await underweir.drop(item.id); last = null; said.replaceChildren(); again(item.entry); held = item.photo || null; }));
    made.append(button("Delete", async () => { await underweir.drop(item.id); last = null; said.replaceChildren(); }));
    return made;
  };

  // the cautions come by themselves the first time in a shift
  const [hour, minute] = new Intl.DateTimeFormat("en-GB", { timeZone: form.dataset.zone, hourCycle: "h23", hour: "2-digit", minute: "2-digit" }).format(Date.now()).split(":").map(Number);
  const into = form.dataset.handOvers.split(" ").map((at) => { const [h, m] = at.split(":").map(Number); return (1440 + hour * 60 + minute - h * 60 - m) % 1440; });
  const began = Date.now() - (Math.min(...into) + 1) * 60000;
  const seen = Number(remembered("cautions"));
  const caution = $("first-caution");
  if (caution.showModal && seen < began) {
    caution.showModal();
    caution.addEventListener("close", () => remember("cautions", `${Date.now()}`));
  }
})();
