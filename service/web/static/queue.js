// The queue of cores logged on this device and not yet sent: stored in IndexedDB, sent when there is a connection, each under
// the id given here, so that sending twice stores one.
(() => {
  if (!window.indexedDB) return;
  const opened = new Promise((done, fail) => {
    const ask = indexedDB.open("underweir", 1);
    ask.onupgradeneeded = () => ask.result.createObjectStore("cores", { keyPath: "id" });
    ask.onsuccess = () => done(ask.result);
    ask.onerror = () => fail(ask.error);
  });
  const store = async (mode, work) => {
    const database = await opened;
    return new Promise((done, fail) => {
      const transaction = database.transaction("cores", mode, { durability: "strict" });
      const asked = work(transaction.objectStore("cores"));
      transaction.oncomplete = () => done(asked.result);
      transaction.onerror = transaction.onabort = () => fail(transaction.error);
    });
  };
  const all = async () => (await store("readonly", (s) => s.getAll())).sort((a, b) => a.entry.taken_at.localeCompare(b.entry.taken_at));
  const put = (item) => store("readwrite", (s) => s.put(item));
  const drop = (id) => store("readwrite", (s) => s.delete(id));
  const listeners = [];
  let connection = "";

  const tell = async (sent) => {
    const items = await all();
    const count = document.getElementById("queue-count");
    if (count) {
      count.hidden = items.length === 0;
      count.textContent = items.length ? `${items.length}` : "";
      count.setAttribute("aria-label", `${items.length} waiting on this device`);
    }
    for (const listener of listeners) listener(items, connection, sent);
  };

  // One core to the service; what it says, or null when it cannot be reached.
  const send = async (entry, token) => {
    let answer;
    try {
      answer = await fetch("/api/v1/cores", {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Form-Token": token },
        body: JSON.stringify(entry),
        signal: AbortSignal.timeout(15000),
      });
    } catch { return null; }
    let said = {};
    try { said = await answer.json(); } catch { /* a proxy's page: its status says enough */ }
    return { status: answer.status, said };
  };

  // The photo of a core that the service has; null when it cannot be reached just now.
  const sendPhoto = async (id, photo, token) => {
    try {
      const answer = await fetch(`/api/v1/cores/${id}/photo`, {
        method: "POST",
        headers: { "Content-Type": "application/octet-stream", "X-Form-Token": token },
        body: photo,
        signal: AbortSignal.timeout(60000),
      });
      if (answer.ok) return "";
      if (answer.status === 401 || answer.status >= 500) return null;
      return (await answer.json()).detail || "it was refused";
    } catch { return null; }
  };

  const token = async () => {
    try {
      const answer = await fetch("/round/data", { headers: { Accept: "application/json" }, signal: AbortSignal.timeout(8000) });
      if (answer.status === 401 || answer.redirected) { connection = "sign in"; return null; }
      if (!answer.ok) { connection = "away"; return null; }
      connection = "";
      return (await answer.json()).form_token;
    } catch { connection = "away"; return null; }
  };

  const sendAll = async () => {
    const waiting = (await all()).filter((item) => item.state === "waiting");
    if (!waiting.length) return tell([]);
    const fresh = await token();
    const sent = [];
    if (fresh) {
      for (const item of waiting) {
        const answer = await send(item.entry, fresh);
        if (!answer) { connection = "away"; break; }
        const { status, said } = answer;
        if (status === 200 || status === 201) {
          // The core is there, perhaps under the id it came with through another door; sending it again later keeps it once.
          const refused = item.photo ? await sendPhoto(said.id || item.id, item.photo, fresh) : "";
          if (refused === null) { connection = "away"; break; }
          await drop(item.id);
          sent.push({ ...said, photo_refused: refused });
        }
        else if (status === 409) await put({ ...item, state: "confirm", said: (said.findings || []).map((f) => f.sentence) });
        else if (status === 400 || status === 422) await put({ ...item, state: "refused", said: (said.findings || []).map((f) => f.sentence).concat(said.findings ? [] : [said.detail || "refused"]) });
        else if (status === 401) { connection = "sign in"; break; }
        else { connection = "away"; break; }
      }
    }
    return tell(sent);
  };
  const sync = () => (navigator.locks ? navigator.locks.request("underweir-send", sendAll) : sendAll());

  window.underweir = {
    add: async (entry, photo) => { await put({ id: entry.id, entry, photo, state: "waiting", said: [] }); return sync(); },
    confirm: async (item) => { await put({ ...item, entry: { ...item.entry, confirmed: true }, state: "waiting" }); return sync(); },
    drop: async (id) => { await drop(id); return tell([]); },
    listen: (listener) => { listeners.push(listener); tell([]); },
    sync,
  };
  addEventListener("online", sync);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) sync(); });
  setInterval(sync, 20000);
  sync();
  if ("serviceWorker" in navigator) navigator.serviceWorker.register("/worker.js").catch(() => { /* pages work without it */ });
  // What the service told whoever was signed in goes with the session; cores that were typed here and are not sent yet stay.
  const forget = () => {
    if (window.caches) caches.open("underweir-pages").then((pages) => pages.delete("/round"));
    try {
      for (const key of Object.keys(localStorage)) if (key === "uw-by" || key.startsWith("uw-spot-")) localStorage.removeItem(key);
    } catch { /* private window */ }
  };
  const out = document.getElementById("sign-out");
  if (out) out.addEventListener("submit", forget);
  if (location.pathname === "/sign-in") forget();
})();
