// Updates the cards while the page is open, and shows a notice when it cannot.
(() => {
  const board = document.getElementById("board");
  if (!board || !window.EventSource) return;
  const notice = document.getElementById("offline-notice");
  const clock = document.getElementById("as-of-time");
  const spoken = document.getElementById("spoken");
  const PATIENCE = 12000;
  let heard = Date.now();

  const swap = (html) => {
    const fresh = document.createElement("template");
    fresh.innerHTML = html;
    const focused = document.activeElement;
    const holder = focused && focused.closest ? focused.closest("[data-tank]") : null;
    const key = holder ? holder.dataset.tank : null;
    const href = focused && focused.getAttribute ? focused.getAttribute("href") : null;
    const before = new Map([...board.querySelectorAll("[data-tank]")].map((card) => [card.dataset.tank, card]));
    const said = [];
    const next = [...fresh.content.children].map((card) => {
      const old = card.dataset.tank ? before.get(card.dataset.tank) : null;
      if (old && old.dataset.word !== card.dataset.word) said.push(card.dataset.word);
      return old && old.outerHTML === card.outerHTML ? old : card;
    });
    board.replaceChildren(...next);
    if (key && href) {
      const again = board.querySelector(`[data-tank="${CSS.escape(key)}"] a[href="${CSS.escape(href)}"]`);
      if (again) again.focus({ preventScroll: true });
    }
    if (said.length) spoken.textContent = said.join(". ");
  };

  const stale = (yes) => {
    document.body.classList.toggle("not-live", yes);
    notice.hidden = !yes;
    if (yes) notice.textContent = `Not live: no update since ${clock.textContent}. The numbers below are from then.`;
  };

  const source = new EventSource(board.dataset.live);
  source.onmessage = (event) => {
    heard = Date.now();
    const news = JSON.parse(event.data);
    clock.textContent = news.clock;
    if (news.board) swap(news.board);
    stale(false);
  };
  source.addEventListener("leave", () => { source.close(); location.reload(); });
  setInterval(() => { if (Date.now() - heard > PATIENCE) stale(true); }, 1000);
})();
