// Keeps every page current: listens to the event stream, fetches the page again when something changed and takes over what
// differs. What somebody typed, opened or focused stays. Says so when the page is old, and counts alarms in the tab's title.
(() => {
  const body = document.body, main = document.getElementById("main");
  if (!body.dataset.clock || !window.EventSource) return;
  const notice = document.getElementById("offline-notice"), spoken = document.getElementById("spoken");
  const count = document.getElementById("alarm-count");
  const title = document.title, refreshes = main.hasAttribute("data-live");
  const PATIENCE = 12000, HIDDEN = 20000, PAUSE = 5000, AGAIN = 10000;
  // An event is the plant's whole state, so what was missed needs no telling; the marks say whether this page shows it.
  let heard = Date.now(), clock = body.dataset.clock, shown = null, alarms = null, fetched = 0, busy = false, source = null, left = false;

  const typed = (e) => e.matches("select") ? [...e.options].some((o) => o.selected !== o.defaultSelected)
    : e.matches("input[type=radio], input[type=checkbox]") ? e.checked !== e.defaultChecked
    : e.matches("textarea, input:not([type=hidden])") ? e.value !== e.defaultValue : false;
  const fields = "input, select, textarea";
  const held = (node) => node.nodeType === 1 && [...node.querySelectorAll(fields)].some((e) => typed(e) || (e === document.activeElement && e.type !== "hidden"));

  const same = (a, b) => a.nodeType === b.nodeType && a.nodeName === b.nodeName
    && (a.nodeType !== 1 || (a.id === b.id && a.dataset?.tank === b.dataset?.tank));
  const attributes = (old, fresh) => {
    for (const { name } of [...old.attributes]) if (name !== "open" && !fresh.hasAttribute(name)) old.removeAttribute(name);
    for (const { name, value } of [...fresh.attributes]) if (name !== "open" && old.getAttribute(name) !== value) old.setAttribute(name, value);
  };
  const morph = (old, fresh) => {
    if (old.isEqualNode(fresh)) return;
    if (old.nodeType !== 1) { old.nodeValue = fresh.nodeValue; return; }
    if (old.hasAttribute("data-still")) return;
    if (old.matches(fields)) {
      if (old.type === "hidden") old.value = fresh.value;
      return;
    }
    attributes(old, fresh);
    const before = [...old.childNodes];
    const next = [...fresh.childNodes].map((one) => {
      const found = before.findIndex((mine) => same(mine, one));
      if (found < 0) return one;
      const [mine] = before.splice(found, 1);
      morph(mine, one);
      return mine;
    });
    const kept = new Set();
    for (const gone of before) {
      if (!held(gone)) { gone.remove(); continue; }
      gone.classList.add("gone");
      kept.add(gone);
    }
    let at = old.firstChild;
    for (const one of next) {
      while (kept.has(at)) at = at.nextSibling;
      // Only what has to move is moved: a moved field loses the focus.
      if (one === at) at = at.nextSibling;
      else old.insertBefore(one, at);
    }
  };

  const words = () => new Map([...main.querySelectorAll("[data-tank]")].map((card) => [card.dataset.tank, card.dataset.word]));
  const take = (html) => {
    const fresh = new DOMParser().parseFromString(html, "text/html").getElementById("main");
    if (!fresh) return;
    const before = words(), focused = document.activeElement;
    morph(main, document.adoptNode(fresh));
    if (focused !== document.activeElement && focused.isConnected) focused.focus({ preventScroll: true });
    const said = [...words()].filter(([tank, word]) => word && before.has(tank) && before.get(tank) !== word).map(([, word]) => word);
    if (spoken && said.length) spoken.textContent = said.join(". ");
    dispatchEvent(new Event("uw-live"));
  };

  const refresh = async (news) => {
    if (!refreshes || busy || left) return;
    const urgent = news.alarms !== alarms;
    if (!urgent && (news.plant === shown || Date.now() - fetched < PAUSE)) return;
    busy = true;
    fetched = Date.now();
    let html = null;
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html", "X-Live": "1" }, cache: "no-store", signal: AbortSignal.timeout(15000) });
      if (answer.redirected) leave();
      else if (answer.ok) html = await answer.text();
    } catch { /* the next event tries again, and the notice tells when it takes too long */ }
    busy = false;
    if (html === null) return;
    take(html);
    shown = news.plant;
    alarms = news.alarms;
    live(news);
  };

  const old = (yes) => {
    body.classList.toggle("not-live", yes);
    if (left) return;
    notice.hidden = !yes;
    if (yes) notice.textContent = `Not live: no update since ${clock}. ${refreshes ? "The numbers below are from then." : "Alarms may have come since."}`;
    if (yes) document.title = `(?) ${title}`;
  };
  const leave = () => {
    left = true;
    if (source) source.close();
    body.classList.add("not-live");
    document.title = `(?) ${title}`;
    notice.hidden = false;
    notice.textContent = `Not live since ${clock}: you are signed out. `;
    const link = document.createElement("a");
    link.href = "/sign-in";
    link.textContent = "Sign in";
    notice.append(link);
  };
  const live = (news) => {
    heard = Date.now();
    clock = news.clock;
    const said = document.getElementById("as-of-time");
    if (said && refreshes && !document.hidden) said.textContent = clock;
    old(false);
  };
  const hear = (news) => {
    if (left) return;
    // Live is a page that shows what the stream speaks of: hearing of a change without getting it is not enough.
    if (!refreshes || document.hidden || (news.plant === shown && news.alarms === alarms)) live(news);
    if (count) { count.hidden = !news.waiting; count.textContent = news.waiting || ""; count.setAttribute("aria-label", `${news.waiting} not acknowledged`); }
    document.title = news.waiting ? `(${news.waiting}) ${title}` : title;
    refresh(news);
  };

  // A browser allows few connections: only the tab that is looked at holds one open, the others ask now and then.
  const listen = () => {
    if (source) source.close();
    source = null;
    if (document.hidden || left) return;
    source = new EventSource("/live");
    source.onmessage = (event) => hear(JSON.parse(event.data));
    source.addEventListener("leave", leave);
    source.onerror = () => { if (source && source.readyState === EventSource.CLOSED) setTimeout(() => { if (source && source.readyState === EventSource.CLOSED) listen(); }, AGAIN); };
  };
  const ask = async () => {
    try {
      const answer = await fetch("/live?once=1", { cache: "no-store", signal: AbortSignal.timeout(15000) });
      if (answer.redirected || answer.status === 401) leave();
      else if (answer.ok) hear(await answer.json());
    } catch { /* the notice tells when it takes too long */ }
  };
  setInterval(() => {
    if (document.hidden && Date.now() - heard > HIDDEN) ask();
    if (Date.now() - heard > (document.hidden ? 5 * HIDDEN : PATIENCE)) old(true);
  }, 1000);
  document.addEventListener("visibilitychange", listen);
  addEventListener("pagehide", () => { if (source) source.close(); });
  addEventListener("pageshow", (event) => { if (event.persisted) listen(); });
  listen();
})();
