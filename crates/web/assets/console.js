// The console's own script: live refresh, ages, keys. Pages work without it; nothing here decides anything.
"use strict";
(() => {
  const REFRESH_AFTER_MS = 400;        // several events at once make one refresh
  const SILENT_AFTER_MS = 45000;       // three missed keep-alives of 15 s: the stream is taken for broken
  const AGE_EVERY_MS = 15000;
  const root = document.documentElement;
  const page = document.body.dataset;
  const serverNow = Date.parse(page.now);
  const loadedAt = performance.now();
  // Ages are counted on the server's clock; a wrong clock in the browser changes nothing.
  const now = () => serverNow + (performance.now() - loadedAt);

  // ---- ages -------------------------------------------------------------------------------------
  function span(ms) {
    const s = Math.max(0, Math.round(ms / 1000));
    if (s < 90) return s + " s";
    if (s < 5400) return Math.round(s / 60) + " min";
    if (s < 172800) return Math.floor(s / 3600) + " h " + Math.round((s % 3600) / 60) % 60 + " min";
    return Math.floor(s / 86400) + " d " + Math.floor((s % 86400) / 3600) + " h";
  }
  function tellAges() {
    for (const el of document.querySelectorAll("time[data-age]")) {
      el.textContent = span(now() - Date.parse(el.dataset.age)) + " ago";
    }
  }
  setInterval(tellAges, AGE_EVERY_MS);

  // ---- live -------------------------------------------------------------------------------------
  const streamState = document.getElementById("stream");
  const alertBox = document.getElementById("stream-alert");
  const changedBox = document.getElementById("changed-alert");
  let lastHeard = performance.now();
  let shownAt = now();
  let pending = 0;
  let source = null;

  function utc(ms) { return new Date(ms).toISOString().slice(11, 19) + " UTC"; }

  function say(state) {
    if (!streamState) return;
    streamState.dataset.state = state;
    streamState.textContent = state === "live" ? "Live" : "Not live";
    if (alertBox) {
      alertBox.hidden = state === "live";
      alertBox.querySelector("span").textContent =
        "The live stream is broken. What you see is as of " + utc(shownAt) + " (" + span(now() - shownAt) +
        " old). It refills by itself once the stream is back.";
    }
  }

  function formInUse() {
    return [...document.querySelectorAll("details[open] form")].some((f) => f.closest("[data-live]"));
  }

  async function refresh() {
    if (formInUse()) {
      // What is being decided must stay what was seen.
      if (changedBox) changedBox.hidden = false;
      return;
    }
    let answer;
    try {
      answer = await fetch(location.pathname + location.search, { headers: { Accept: "text/html" }, redirect: "manual" });
    } catch { return say("broken"); }
    if (answer.type === "opaqueredirect") return location.reload();
    if (!answer.ok) return say("broken");
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (formInUse()) { if (changedBox) changedBox.hidden = false; return; }
    const selected = document.querySelector("tr.selected")?.id;
    const focus = document.activeElement?.id;
    const unfolded = [...document.querySelectorAll("[data-live] details[open][id]")].map((d) => d.id);
    for (const el of document.querySelectorAll("[data-live]")) {
      const next = fresh.getElementById(el.id);
      if (next) el.replaceChildren(...next.childNodes);
    }
    for (const id of unfolded) { const fold = document.getElementById(id); if (fold) fold.open = true; }
    if (selected) select(document.getElementById(selected), false);
    if (focus && document.activeElement === document.body) document.getElementById(focus)?.focus({ preventScroll: true });
    shownAt = now();
    if (changedBox) changedBox.hidden = true;
    tellAges();
    document.dispatchEvent(new CustomEvent("refreshed"));
  }

  function due() {
    clearTimeout(pending);
    pending = setTimeout(refresh, REFRESH_AFTER_MS);
  }

  function heard(event) {
    lastHeard = performance.now();
    say("live");
    if (page.finding) {
      try { if (JSON.parse(event.data).finding.id !== page.finding) return; } catch { /* then refresh */ }
    }
    due();
  }

  // No event means that nothing changed on a page of findings. A page that shows more than findings reads itself
  // again, and only then counts as fresh.
  function alive() {
    lastHeard = performance.now();
    say("live");
    if (document.querySelector("[data-each-alive]")) due(); else shownAt = now();
  }

  function listen() {
    source = new EventSource("/api/v1/events?alive=true&after=" + encodeURIComponent(page.event));
    source.onopen = () => { lastHeard = performance.now(); say("live"); };
    source.onerror = () => {
      say("broken");
      if (source.readyState === EventSource.CLOSED) setTimeout(() => { listen(); due(); }, 5000);
    };
    for (const name of ["opened", "changed", "lowered", "revised", "decided", "closed"]) source.addEventListener(name, heard);
    source.addEventListener("resync", () => { lastHeard = performance.now(); say("live"); due(); });
    source.addEventListener("alive", alive);
  }
  if (page.live) {
    listen();
    setInterval(() => { if (performance.now() - lastHeard > SILENT_AFTER_MS) say("broken"); }, 5000);
    // A closed socket must not hold one of the caller's streams while the page lies in the back/forward cache.
    addEventListener("pagehide", () => source.close());
    addEventListener("pageshow", (e) => { if (e.persisted) { listen(); due(); } });
  }

  // ---- keys -------------------------------------------------------------------------------------
  const keysBox = document.getElementById("keys");
  const keysSwitch = document.getElementById("keys-on");
  const keysOn = () => localStorage.getItem("keys") !== "off";
  if (keysSwitch) {
    keysSwitch.checked = keysOn();
    keysSwitch.addEventListener("change", () => localStorage.setItem("keys", keysSwitch.checked ? "on" : "off"));
  }
  document.getElementById("keys-open")?.addEventListener("click", () => keysBox.showModal());

  const rows = () => [...document.querySelectorAll("tr[data-href]")];
  function select(row, scroll = true) {
    document.querySelector("tr.selected")?.classList.remove("selected");
    if (!row) return;
    row.classList.add("selected");
    row.querySelector("a.title")?.focus({ preventScroll: !scroll });
    if (scroll) row.scrollIntoView({ block: "nearest" });
  }
  function step(by) {
    const all = rows();
    if (!all.length) return;
    const at = all.findIndex((r) => r.classList.contains("selected"));
    select(all[Math.min(all.length - 1, Math.max(0, at < 0 ? 0 : at + by))]);
  }
  function act(word) {
    const row = document.querySelector("tr.selected");
    if (row) {
      const form = row.querySelector('form[data-act="' + word + '"]');
      if (form) form.requestSubmit();
      else location.href = row.dataset.href + "#act-" + word;
      return;
    }
    const form = document.querySelector('.acts form[data-act="' + word + '"]');
    if (!form) return;
    const fold = form.closest("details");
    if (fold) { openFold(fold); } else form.requestSubmit();
  }
  function openFold(fold) {
    for (const other of document.querySelectorAll(".acts details[open]")) if (other !== fold) other.open = false;
    fold.open = true;
    fold.querySelector("form :is(input:not([type=hidden]), select, textarea)")?.focus();
  }

  let prefix = "";
  const ACTS = {
    a: "acknowledge", t: "take", b: "give-back", h: "hand", w: "wait", s: "shelve", e: "out-of-service",
    m: "merge", x: "split", c: "close", p: "reopen", n: "note",
  };
  const GO = { q: "/queue", l: "/fleet", f: "/feed" };
  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const typing = e.target.closest?.("input, select, textarea");
    if (e.key === "Escape") {
      const fold = document.querySelector(".acts details[open]");
      if (fold) { fold.open = false; fold.querySelector("summary").focus(); }
      else if (typing) e.target.blur();
      return;
    }
    if (typing || keysBox?.open || !keysOn()) return;
    if (prefix === "g") {
      prefix = "";
      const unit = document.querySelector("a[data-unit]");
      if (e.key === "u" && unit) { e.preventDefault(); unit.click(); return; }
      if (GO[e.key]) { e.preventDefault(); location.href = GO[e.key]; }
      return;
    }
    const pick = document.querySelector("tr.selected");
    if (e.key === "?") { e.preventDefault(); keysBox?.showModal(); }
    else if (e.key === "g") prefix = "g";
    else if (e.key === "j") step(1);
    else if (e.key === "k") step(-1);
    else if (e.key === "o" && pick) location.href = pick.dataset.href;
    else if (e.key === "u" && page.finding) location.href = "/queue";
    else if (e.key === "/") { e.preventDefault(); document.querySelector(".filters select")?.focus(); }
    else if (e.key === "r") refresh();
    else if (/^[1-9]$/.test(e.key)) document.querySelectorAll("#channels button")[Number(e.key) - 1]?.click();
    else if (ACTS[e.key]) { e.preventDefault(); act(ACTS[e.key]); }
  });
  document.addEventListener("click", (e) => {
    const row = e.target.closest("tr[data-href]");
    if (row && !e.target.closest("a, button, form")) select(row, false);
    if (e.target.id === "reload") location.reload();
    if (e.target.closest("[data-print]")) print();
  });
  // An act in the queue leads back to it: the row stays selected.
  document.addEventListener("submit", (e) => {
    const row = e.target.closest("tr[data-href]");
    if (row) sessionStorage.setItem("row", row.id);
  });
  const kept = sessionStorage.getItem("row");
  if (kept && rows().length) { select(document.getElementById(kept)); sessionStorage.removeItem("row"); }
  document.addEventListener("toggle", (e) => {
    if (e.target.matches?.(".acts details") && e.target.open) openFold(e.target);
    if (!formInUse() && changedBox && !changedBox.hidden) refresh();
  }, true);

  if (location.hash.startsWith("#act-")) {
    const fold = document.querySelector('.acts form[data-act="' + CSS.escape(location.hash.slice(5)) + '"]')?.closest("details");
    if (fold) openFold(fold);
  }
  tellAges();
  root.classList.add("scripted");
})();
