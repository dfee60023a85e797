// The operator's page keeps what was told in the browser until the watch has
// stored it. Entries are sent one after the other, in the order in which they
// were made, each under an id of its own: the watch counts an id once, however
// often it arrives. Without this script the forms are sent as forms.
"use strict";
(() => {
  const KEY = "entries"; // what waits, the oldest first
  const MOST = 500;
  let memory = []; // stands in where a browser allows no storage

  const load = () => {
    try { return JSON.parse(localStorage.getItem(KEY)) ?? []; } catch { return memory; }
  };
  const save = (list) => {
    memory = list;
    try { localStorage.setItem(KEY, JSON.stringify(list)); } catch { /* kept for as long as the page is open */ }
    draw();
  };

  // The watch's clock counts: a tablet's may be hours off. The page says what the
  // time was when it was made, and the offset is kept for when it cannot.
  let ahead = 0;

  const newID = () => crypto.randomUUID?.() ?? "10000000-1000-4000-8000-100000000000".replace(/[018]/g, (c) =>
    (Number(c) ^ (crypto.getRandomValues(new Uint8Array(1))[0] & (15 >> (Number(c) / 4)))).toString(16));

  // read makes an entry of a form.
  function read(form) {
    const fields = {};
    for (const [name, value] of new FormData(form)) {
      const field = name.startsWith("field.") ? name.slice("field.".length) : "";
      if (!field || value.trim() === "") continue;
      const unit = form.elements["unit." + field]?.value;
      fields[field] = unit === undefined ? value.trim() : value.trim().replace(",", ".") + " " + unit;
    }
    const job = form.querySelector("select[data-job]");
    const part = job?.selectedOptions[0]?.dataset.part;
    if (part && !fields.part) fields.part = part;
    return {
      to: form.getAttribute("action"), title: form.dataset.title,
      body: { id: newID(), action: form.dataset.entry, at: new Date(Date.now() + ahead).toISOString(), by: form.elements.by?.value, fields },
    };
  }

  function keep(form) {
    const list = load();
    if (list.length >= MOST) return;
    list.push(read(form));
    save(list);
    form.reset();
    for (const e of form.querySelectorAll("input[name=by]")) e.value = list.at(-1).body.by ?? "";
    const tile = form.closest("details.tile");
    tile.open = false;
    tile.querySelector("summary").focus();
    flush();
  }

  // flush sends what waits, unless another page of this browser is at it.
  function flush() {
    if (navigator.locks) navigator.locks.request("rollwarden-entries", { ifAvailable: true }, (lock) => lock && sendAll());
    else sendAll();
  }

  let sending = false;
  let retry = 1000;
  let timer = 0;
  let why = "";

  async function sendAll() {
    if (sending) return;
    sending = true;
    try {
      for (;;) {
        const next = load().find((e) => !e.refused);
        if (!next) return;
        if (!await sendOne(next)) {
          clearTimeout(timer);
          timer = setTimeout(flush, retry);
          retry = Math.min(retry * 2, 15000);
          draw();
          return;
        }
        retry = 1000;
      }
    } finally {
      sending = false;
      draw();
    }
  }

  // sendOne reports whether there is an answer for good. An entry that the watch
  // refuses stays, with the reason, until a person drops it; it does not keep the
  // ones behind it waiting.
  async function sendOne(entry) {
    let response;
    try {
      response = await fetch(entry.to, {
        method: "POST", credentials: "same-origin", signal: AbortSignal.timeout(15000),
        headers: { "Content-Type": "application/json", Accept: "application/json" }, body: JSON.stringify(entry.body),
      });
    } catch {
      why = "offline";
      return false;
    }
    why = "";
    if (response.status === 401) {
      why = "login";
      return false;
    }
    if (response.status === 429 || response.status >= 500) {
      why = "online";
      return false;
    }
    const rest = load();
    const mine = rest.findIndex((e) => e.body.id === entry.body.id);
    if (response.ok) {
      if (mine >= 0) rest.splice(mine, 1);
      tell(entry.title);
    } else if (mine >= 0) {
      const problem = await response.json().catch(() => ({}));
      const faults = (problem.errors ?? []).map((f) => `${f.field}: ${f.want}`).join("; ");
      rest[mine].refused = faults || problem.detail || String(response.status);
    }
    save(rest);
    return true;
  }

  function tell(title) {
    const box = document.getElementById("told");
    const pending = document.getElementById("pending");
    if (box && pending) box.textContent = pending.dataset.done.replace("{}", title);
  }

  // draw shows what waits.
  function draw() {
    const box = document.getElementById("pending");
    if (!box) return;
    const list = load();
    box.hidden = list.length === 0;
    box.querySelector(".count").textContent = String(list.length);
    box.querySelector(".why").textContent = list.some((e) => !e.refused) ? box.dataset[why || "online"] : "";
    const items = list.map((e) => {
      const item = document.createElement("li");
      const values = Object.values(e.body.fields).join(", ");
      item.append(`${new Date(e.body.at).toLocaleTimeString(document.documentElement.lang)} ${e.title}${values ? ": " + values : ""} `);
      if (e.refused) {
        const fault = document.createElement("strong");
        fault.className = "fault";
        fault.textContent = `${box.dataset.refused} ${e.refused} `;
        item.append(fault);
      }
      const drop = document.createElement("button");
      drop.type = "button";
      drop.textContent = box.dataset.drop;
      drop.setAttribute("aria-label", `${box.dataset.drop}: ${e.title}`);
      drop.addEventListener("click", () => save(load().filter((x) => x.body.id !== e.body.id)));
      item.append(drop);
      return item;
    });
    box.querySelector("ol").replaceChildren(...items);
  }

  document.addEventListener("submit", (e) => {
    if (!e.target.matches("form[data-entry]")) return;
    e.preventDefault();
    keep(e.target);
  });

  // A scanner types and presses Enter: that goes on to the next field, and sends
  // nothing that is only half told.
  document.addEventListener("keydown", (e) => {
    if (e.key !== "Enter" || !e.target.matches("input[data-scan]")) return;
    e.preventDefault();
    const all = [...e.target.form.elements].filter((x) => x.type !== "hidden");
    all[all.indexOf(e.target) + 1]?.focus();
  });

  // A remedy leads to the tile by which it is told.
  document.addEventListener("click", (e) => {
    const link = e.target.closest("a[data-tile]");
    const tile = link && document.getElementById(link.dataset.tile);
    if (!tile) return;
    e.preventDefault();
    tile.open = true;
    tile.scrollIntoView({ block: "start" });
    tile.querySelector("input:not([type=hidden]), select, button")?.focus();
  });

  addEventListener("online", () => { retry = 1000; flush(); });
  addEventListener("storage", (e) => { if (e.key === KEY) draw(); });

  document.addEventListener("DOMContentLoaded", () => {
    const served = Date.parse(document.querySelector("main[data-now]")?.dataset.now ?? "");
    if (served) ahead = served - Date.now();
    draw();
    flush();
    setInterval(() => {
      for (const form of document.querySelectorAll("form[data-until]")) {
        form.hidden = Date.parse(form.dataset.until) < Date.now() + ahead;
      }
    }, 1000);
  });
})();
