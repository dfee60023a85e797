// Keeps an open page true: it swaps in the parts that the watch sends, counts
// ages and countdowns on between them, and says loudly when the picture is old.
// A page works without it; then it is only read.
"use strict";
(() => {
  const root = document.documentElement;

  // What a browser remembers for its reader. Storage may be forbidden.
  const memory = {
    get(key) { try { return localStorage.getItem(key); } catch { return null; } },
    set(key, value) { try { localStorage.setItem(key, value); } catch { /* not remembered then */ } },
  };

  // Day and night, before anything is drawn.
  const look = memory.get("look");
  if (look === "day" || look === "night") root.dataset.look = look;
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const isNight = () => (root.dataset.look ? root.dataset.look === "night" : dark.matches);

  function startLook() {
    const button = document.getElementById("look");
    if (!button) return;
    const show = () => button.setAttribute("aria-pressed", String(isNight()));
    button.hidden = false;
    button.addEventListener("click", () => {
      root.dataset.look = isNight() ? "day" : "night";
      memory.set("look", root.dataset.look);
      show();
    });
    dark.addEventListener("change", show);
    show();
  }

  // Time. The watch's clock counts, whatever the reader's computer says.
  let ahead = 0; // ms that the watch's clock is ahead of this one
  const now = () => Date.now() + ahead;
  const number = (v, digits) => new Intl.NumberFormat(root.lang, { minimumFractionDigits: digits, maximumFractionDigits: digits, useGrouping: false }).format(v);

  // span says a duration as the watch does.
  function span(ms) {
    const s = ms / 1000;
    if (s < 90) return number(Math.max(0, s), 0) + " s";
    if (s < 90 * 60) return number(s / 60, 0) + " min";
    if (s < 36 * 3600) return number(s / 3600, 1) + " h";
    return number(s / 86400, 1) + " d";
  }

  // tick writes every text that depends on the time: data-in before the moment
  // data-at, data-ago from then on.
  function tick(within) {
    for (const e of within.querySelectorAll("[data-at]")) {
      const left = Date.parse(e.dataset.at) - now();
      const pattern = left > 0 ? e.dataset.in ?? e.dataset.ago : e.dataset.ago ?? e.dataset.in;
      const text = pattern.replace("{}", span(e.dataset.in === undefined ? Math.max(0, -left) : Math.abs(left)));
      if (e.textContent !== text) e.textContent = text;
    }
  }

  // Morphing: what stays stays, so that focus, an open fold and typed text do.
  const typed = (form) => form.contains(document.activeElement) ||
    [...form.elements].some((e) => /^(text|search|number|textarea)$/.test(e.type) && e.value !== e.defaultValue);
  const same = (a, b) => a.nodeType === b.nodeType && a.nodeName === b.nodeName && keyOf(a) === keyOf(b);
  const keyOf = (n) => (n.nodeType === 1 ? n.getAttribute("id") || n.dataset.key || "" : ""); // form.id may be a field

  function morph(from, to) {
    if (from.nodeType !== 1) {
      if (from.data !== to.data) from.data = to.data;
      return;
    }
    if (from.nodeName === "FORM" && typed(from)) return;
    for (const { name } of [...from.attributes]) {
      if (!to.hasAttribute(name) && !kept(from, name) && name !== "data-entry" && name !== "data-said") from.removeAttribute(name);
    }
    for (const { name, value } of [...to.attributes]) {
      if (from.getAttribute(name) !== value && !kept(from, name)) from.setAttribute(name, value);
    }
    morphChildren(from, to);
  }

  // kept are attributes that the reader changes, or this script for the reader.
  const kept = (e, name) => name === "open" && e.nodeName === "DETAILS" || name === "value" && e.nodeName === "INPUT" && e.type !== "hidden";

  // morphChildren finds for each wanted child the one that is there: by its key,
  // or the next of its kind. What holds the focus is never moved, because that
  // would take the focus from it; the others move around it.
  function morphChildren(from, to) {
    const old = new Map();
    for (const c of from.children) if (keyOf(c)) old.set(keyOf(c), c);
    let at = from.firstChild;
    for (const want of [...to.childNodes]) {
      let match = keyOf(want) ? old.get(keyOf(want)) : at;
      while (match && !same(match, want)) match = keyOf(want) ? null : match.nextSibling;
      if (!match) {
        from.insertBefore(want, at);
        continue;
      }
      if (match !== at && match.contains(document.activeElement)) {
        while (at !== match) {
          const next = at.nextSibling;
          from.insertBefore(at, match.nextSibling);
          at = next;
        }
      }
      if (match === at) at = at.nextSibling;
      else from.insertBefore(match, at);
      morph(match, want);
    }
    while (at) {
      const next = at.nextSibling;
      from.removeChild(at);
      at = next;
    }
  }

  // swap puts a new element where one with its id is, and keeps the focus near.
  function swap(fresh) {
    const have = document.getElementById(fresh.id);
    if (!have) return;
    const focus = document.activeElement;
    const inside = have.contains(focus);
    morph(have, fresh);
    if (fresh.dataset.title) document.title = document.title.replace(/^.*?(?= · |$)/, fresh.dataset.title);
    remember(have);
    tick(have);
    if (inside && !focus.isConnected) {
      have.tabIndex = -1;
      have.focus();
    }
  }

  // The name of who acts here, so that it is typed once.
  function remember(within) {
    const name = memory.get("name") ?? "";
    for (const input of within.querySelectorAll("input[name=by]")) {
      if (input === document.activeElement) continue;
      input.defaultValue = input.value = name;
    }
  }

  // entry is a new id for what a form says; one that is sent again unchanged
  // keeps it, so that it counts once. A form that was sent gets another.
  function entry(form, data) {
    const said = JSON.stringify(data);
    if (form.dataset.said !== said) {
      const b = crypto.getRandomValues(new Uint8Array(16));
      b[6] = (b[6] & 0x0f) | 0x40; // a random UUID: RFC 9562, section 5.4
      b[8] = (b[8] & 0x3f) | 0x80;
      const hex = [...b].map((v) => v.toString(16).padStart(2, "0")).join("");
      form.dataset.entry = hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
      form.dataset.said = said;
    }
    return form.dataset.entry;
  }

  // Forms are sent in place. What the watch answers stands beside the button.
  async function send(form, button) {
    const answer = form.querySelector("output");
    const data = Object.fromEntries(new FormData(form, button));
    delete data.back;
    delete data.id;
    for (const key of form.dataset.numbers?.split(" ") ?? []) if (key in data) data[key] = Number(data[key]);
    for (const key of Object.keys(data)) if (data[key] === "") delete data[key];
    data.id = entry(form, data);
    if (data.by) memory.set("name", data.by);
    answer.className = "";
    answer.textContent = form.dataset.sending;
    try {
      const response = await fetch(form.getAttribute("action"), { // a field named action hides form.action
        method: "POST", credentials: "same-origin",
        headers: { "Content-Type": "application/json", Accept: "application/json" }, body: JSON.stringify(data),
      });
      if (response.ok) {
        answer.textContent = form.dataset.sent;
        delete form.dataset.said;
        for (const e of form.elements) if (e.name !== "by") e.defaultValue = e.value; // sent, so no longer typed
        return;
      }
      const problem = await response.json().catch(() => ({})); // as RFC 9457 lays it out
      answer.textContent = problem.detail ?? form.dataset.failed;
    } catch {
      answer.textContent = form.dataset.failed;
    }
    answer.className = "fault";
  }

  function startForms() {
    document.addEventListener("submit", (e) => {
      if (!e.target.matches("form[data-live-form]")) return;
      e.preventDefault();
      send(e.target, e.submitter);
    });
    document.addEventListener("change", (e) => {
      if (!e.target.matches("input[name=by]")) return;
      memory.set("name", e.target.value);
      remember(document);
    });
    remember(document);
  }

  // The stream.
  const SILENCE = 6000; // ms without a word from the watch
  let heard = Date.now(); // when the watch last spoke, by this clock
  let well = Date.now(); // and when it last said that all is well
  let ready = true;
  let shape = null; // which parts there are, while they are not those of this page
  let retry = 1000;

  function open(address) {
    const source = new EventSource(address);
    source.addEventListener("part", (e) => {
      const part = JSON.parse(e.data);
      const box = document.createElement("template");
      box.innerHTML = part.html;
      if (box.content.firstElementChild) swap(box.content.firstElementChild);
    });
    source.addEventListener("shape", (e) => { shape = JSON.parse(e.data); });
    source.addEventListener("beat", (e) => {
      const beat = JSON.parse(e.data);
      ahead = beat.now - Date.now();
      document.dispatchEvent(new CustomEvent("watch-clock", { detail: ahead }));
      heard = Date.now();
      ready = beat.ready;
      retry = 1000;
      if (shape) reshape();
      if (ready && !shape) well = heard;
      judge();
    });
    source.onerror = () => {
      const answered = source.readyState === EventSource.CLOSED; // by something that is no stream
      source.close();
      if (answered) loggedOut(address);
      setTimeout(() => open(address), retry * (0.5 + Math.random()));
      retry = Math.min(retry * 2, 10000);
    };
  }

  // loggedOut leads to the login page when that is why there is no stream: a
  // session ends with the watch too. Somebody who types is left to finish.
  async function loggedOut(address) {
    try {
      const response = await fetch(address, { method: "HEAD", credentials: "same-origin" });
      if (response.status === 401 && !anybodyTypes()) location.reload();
    } catch { /* nobody is there; the page says so */ }
  }

  // renew loads a page anew that was made by another build, once for each build,
  // so that nothing makes it go round in circles, and not every page at once.
  let renewing = false;
  function renew(script) {
    if (renewing) return;
    renewing = true;
    setTimeout(() => {
      renewing = false;
      try {
        if (anybodyTypes() || sessionStorage.getItem("renewed") === script) return;
        sessionStorage.setItem("renewed", script);
      } catch { return; } // what cannot be remembered could not be done once
      location.reload();
    }, Math.random() * 3000);
  }
  const anybodyTypes = () => [...document.forms].some(typed);

  // reshape fetches the page again when its parts are not those that there are,
  // and loads it anew when it was made by another build, unless somebody types.
  // It is tried again with each beat until it has worked.
  let reshaping = false;
  async function reshape() {
    const script = document.querySelector("script[src*='/assets/live.']").getAttribute("src");
    if (script !== shape.script) return renew(shape.script);
    if (reshaping) return;
    reshaping = true;
    const ids = () => [...document.querySelectorAll("[data-part]")].map((e) => e.id).join();
    try {
      if (ids() !== shape.ids.join()) {
        const response = await fetch(location.href, { credentials: "same-origin" });
        if (!response.ok) return;
        const page = new DOMParser().parseFromString(await response.text(), "text/html");
        morph(document.querySelector("main"), page.querySelector("main"));
        remember(document);
        tick(document);
      }
      if (ids() === shape?.ids.join()) shape = null;
    } catch { /* tried again, and told if it goes on */ } finally { reshaping = false; }
  }

  // judge says it when what is shown may no longer be so.
  function judge() {
    const silent = Date.now() - heard > SILENCE;
    const old = silent || !ready || Date.now() - well > SILENCE;
    root.classList.toggle("old", old);
    const banner = document.getElementById("old");
    if (!banner) return;
    const why = silent ? "silent" : "trouble";
    for (const e of banner.querySelectorAll("[data-why]")) e.hidden = e.dataset.why !== why;
    if (banner.hidden === old) banner.hidden = !old;
    for (const e of banner.querySelectorAll("[data-old]")) e.textContent = span(Date.now() - well);
  }

  function startStream() {
    const main = document.querySelector("main");
    const served = Date.parse(main?.dataset.now ?? "");
    const stream = main?.dataset.stream;
    if (served) ahead = served - Date.now();
    setInterval(() => { tick(document); if (stream) judge(); }, 1000);
    tick(document);
    if (stream) open(stream);
  }

  document.addEventListener("DOMContentLoaded", () => {
    root.classList.add("live");
    startLook();
    startForms();
    startStream();
  });
})();
