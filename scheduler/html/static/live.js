// Keeps what is open up to date, and says when the machine in the house does not answer.
// Without this script the same is shown after loading the screen again.
"use strict";
(() => {
  const EVERY_MS = 4000, PATIENCE_MS = 8000;
  const silent = document.getElementById("silent");
  let since = null, timer = 0;

  const clock = (at) => at.toTimeString().slice(0, 5);

  function answered() {
    since = null;
    silent.hidden = true;
  }

  function unanswered() {
    if (since) return;
    since = new Date();
    silent.textContent = `Not answering since ${clock(since)}: what is shown may be old.`;
    silent.hidden = false;
  }

  async function ask(path) {
    // by this header the page keeps what it has to tell for the screen that is on its way
    const headers = { "X-Live": "1" };
    const answer = await fetch(path, { cache: "no-store", headers, signal: AbortSignal.timeout(PATIENCE_MS) });
    if (answer.status === 401) location.assign("/pair");
    if (!answer.ok) throw new Error(answer.status);
    return answer;
  }

  async function look() {
    const live = await (await ask("/live")).json();
    const made = document.body.dataset.made;
    if (made && live.made_at && made !== live.made_at) document.getElementById("newer").hidden = false;
    const shown = document.getElementById("open");
    if (live.mark === shown.dataset.mark || shown.contains(document.activeElement)) return;
    const page = new DOMParser().parseFromString(await (await ask(location.href)).text(), "text/html");
    const fresh = page.getElementById("open");
    if (fresh) shown.replaceWith(fresh);
  }

  async function go() {
    clearTimeout(timer);
    if (document.hidden) return;
    try {
      await look();
      answered();
    } catch {
      unanswered();
    }
    timer = setTimeout(go, EVERY_MS);
  }

  document.addEventListener("visibilitychange", go);
  timer = setTimeout(go, EVERY_MS);
})();
