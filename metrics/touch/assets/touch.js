// The operator's page keeps what was told in the browser until the watch has
// stored it. Entries are sent one after the other, in the order in which they
// were made, each under an id of its own: the watch counts an id once, however
// often it arrives. Without this script the forms are sent as forms.
"use strict";
(() => {
  const KEY = "rollwarden.entries"; // what waits, the oldest first
  const MOST = 500;
  let memory = null; // stands in once a browser allows no storage, or has no room

  const load = () => {
    if (memory) return memory;
    try { return JSON.parse(localStorage.getItem(KEY)) ?? []; } catch { return []; }
  };
  const save = (list) => {
    try {
      localStorage.setItem(KEY, JSON.stringify(list));
      memory = null;
    } catch { memory = list; } // kept for as long as the page is open
    draw();
  };
  const drop = (id) => save(load().filter((e) => e.body.id !== id));

  // The watch's clock counts: a tablet's may be hours off, and be put right while
  // the page is open.
  let ahead = 0;
  document.addEventListener("watch-clock", (e) => {
    ahead = e.detail;
    if (!unreached) return;
    unreached = false; // the watch is heard again: nothing waits for its turn
    again();
  });

  // Who is logged in. What somebody told is not sent in the name of another.
  const user = () => document.querySelector("main")?.dataset.user ?? "";
  const canSend = (e) => !e.refused && e.user === user();

  const newID = () => crypto.randomUUID?.() ?? "10000000-1000-4000-8000-100000000000".replace(/[018]/g, (c) =>
    (Number(c) ^ (crypto.getRandomValues(new Uint8Array(1))[0] & (15 >> (Number(c) / 4)))).toString(16));

  // measure puts the unit that stands beside a field behind a bare number. A comma
  // is a decimal sign where it cannot be a sign of thousands; 1,365 is refused by the desk.
  function measure(text, unit) {
    if (/^[-+]?\d*,\d+$/.test(text) && !/^[-+]?[1-9]\d{0,2},\d{3}$/.test(text)) text = text.replace(",", ".");
    return unit && /^[-+]?[\d.]+$/.test(text) ? `${text} ${unit}` : text;
  }

  // read makes an entry of a form.
  function read(form) {
    const typed = [...new FormData(form)].filter(([name]) => /^(field\.|run$)/.test(name));
    const fields = {};
    for (const [name, value] of typed) {
      const text = value.trim();
      if (name === "run" || text === "") continue;
      const field = name.slice("field.".length);
      fields[field] = {
        number: () => measure(text, form.elements["unit." + field]?.value),
        "yes-no": () => text === "true",
      }[form.querySelector(`[data-field="${CSS.escape(field)}"]`).dataset.kind]?.() ?? text;
    }
    const run = typed.find(([name]) => name === "run");
    if (run && !fields.job) Object.assign(fields, Object.fromEntries(new URLSearchParams(run[1])));
    return {
      to: form.getAttribute("action"), title: form.dataset.title, user: user(), typed,
      body: { id: newID(), action: form.dataset.entry, at: new Date(Date.now() + ahead).toISOString(), by: form.elements.by?.value, fields },
    };
  }

  function keep(form) {
    const list = load();
    const fault = form.querySelector(".fault");
    fault.textContent = list.length < MOST ? "" : document.getElementById("pending").dataset.full;
    if (list.length >= MOST) return;
    list.push(read(form));
    save(list);
    form.reset();
    const tile = form.closest("details.tile");
    tile.open = false;
    tile.querySelector("summary").focus();
    flush();
  }

  // mend puts a refused entry back into the form that it came from.
  function mend(entry, form) {
    form.reset();
    for (const [name, value] of entry.typed) {
      const e = form.elements[name];
      if (e) e.value = value;
    }
    const more = form.querySelector(".more");
    if (more) more.open = [...more.querySelectorAll("input, textarea, select")].some((e) => e.type !== "hidden" && e.value !== "");
    drop(entry.body.id);
    reveal(form.closest("details.tile"));
  }
  const formOf = (entry) => [...document.querySelectorAll("form[data-entry]")].find((f) => f.dataset.entry === entry.body.action && f.getAttribute("action") === entry.to);

  function reveal(tile) {
    tile.open = true;
    tile.scrollIntoView({ block: "start" });
    const wanted = [...tile.querySelectorAll("input:not([type=hidden]), select, textarea, button")];
    wanted.find((e) => e.checkVisibility())?.focus();
  }

  // flush sends what waits. Pages of one browser take turns: the one that waits
  // finds nothing left to do, or what came meanwhile.
  let queued = false;
  function flush() {
    if (queued) return;
    queued = true;
    const turn = () => { queued = false; return sendAll(); };
    if (navigator.locks) navigator.locks.request("rollwarden-entries", turn);
    else turn();
  }

  let sending = false;
  let retry = 1000; // ms
  let timer = 0;
  let why = "online";
  let unreached = false; // the last try found nobody, and the watch has not been heard since

  async function sendAll() {
    if (sending) return;
    sending = true;
    try {
      for (let next; (next = load().find(canSend));) {
        if (!await sendOne(next)) {
          clearTimeout(timer);
          timer = setTimeout(flush, retry);
          retry = Math.min(retry * 2, 15000);
          return;
        }
        retry = 1000;
      }
    } finally {
      sending = false;
      draw();
    }
  }

  // sendOne reports whether there is an answer for good: only the watch's own, for
  // this entry, is one. An entry that it refuses stays, with the reason, until a
  // person sees to it; it does not keep the ones behind it waiting.
  async function sendOne(entry) {
    let response, answer;
    try {
      response = await fetch(entry.to, {
        method: "POST", credentials: "same-origin", redirect: "error", signal: AbortSignal.timeout(15000),
        headers: { "Content-Type": "application/json", Accept: "application/json" }, body: JSON.stringify(entry.body),
      });
      answer = await response.json();
    } catch {
      why = "offline";
      unreached = true;
      return false;
    }
    why = response.status === 401 ? "login" : "online";
    if (response.status === 401 || response.status === 429 || response.status >= 500) return false;
    if (response.ok) {
      if (answer.id !== entry.body.id) return false;
      drop(entry.body.id);
      tell(entry.title);
      return true;
    }
    const rest = load();
    const mine = rest.find((e) => e.body.id === entry.body.id);
    if (mine) mine.refused = answer.errors?.length ? answer.errors.map((f) => [f.field, f.want]) : [["", answer.detail ?? String(response.status)]];
    save(rest);
    return true;
  }

  function tell(title) {
    const pending = document.getElementById("pending");
    if (pending) document.getElementById("told").textContent = pending.dataset.done.replace("{}", title);
  }

  // draw shows what waits.
  let drawn = "";
  function draw() {
    const box = document.getElementById("pending");
    if (!box) return;
    const list = load();
    const waits = list.some(canSend);
    const state = JSON.stringify([list, waits, why]);
    if (state === drawn && box.hidden === (list.length === 0)) return; // a page that is fetched again comes without it
    drawn = state;
    const inside = box.contains(document.activeElement);
    box.hidden = list.length === 0;
    box.querySelector(".count").textContent = String(list.length);
    const told = waits ? box.dataset[why] : "";
    const line = box.querySelector(".why");
    if (line.textContent !== told) line.textContent = told;
    box.querySelector(".login").hidden = !(waits && why === "login");
    box.querySelector("ol").replaceChildren(...list.map((e) => drawEntry(box, e)));
    if (inside) (box.hidden ? document.getElementById("told") : box).focus();
  }

  // told says what an entry tells, in the words of the page's forms.
  function told(entry) {
    const form = document.querySelector(`form[data-entry="${CSS.escape(entry.body.action)}"]`);
    return entry.typed.filter(([, text]) => text.trim() !== "").map(([name, text]) => {
      if (name === "run") return [...new URLSearchParams(text).values()].join("/");
      const chosen = form?.querySelector(`[name="${CSS.escape(name)}"][value="${CSS.escape(text)}"][type=radio], select[name="${CSS.escape(name)}"] option[value="${CSS.escape(text)}"]`);
      return (chosen?.closest("label.choice") ?? chosen)?.textContent.trim() ?? entry.body.fields[name.slice("field.".length)];
    });
  }

  // clock writes a moment as the shop's clock shows it, whatever the tablet's own
  // zone is. A zone without a name, or one that the browser does not know, is an
  // offset.
  function clock(box, at) {
    const { zone, offset, cycle } = box.dataset; // offset in min, east of UTC
    const write = (ms, timeZone) => new Date(ms).toLocaleTimeString(document.documentElement.lang, { timeZone, hourCycle: cycle });
    try {
      if (zone) return write(Date.parse(at), zone);
    } catch { /* by the offset then */ }
    return write(Date.parse(at) + Number(offset) * 60e3, "UTC");
  }

  function drawEntry(box, e) {
    const item = document.createElement("li");
    const add = (kind, text, more = {}) => item.appendChild(Object.assign(document.createElement(kind), { textContent: text }, more));
    const press = (text, then) => add("button", text, { type: "button", ariaLabel: `${text}: ${e.title}`, onclick: then });
    const values = told(e).join(", ");
    const machine = e.to.split("/").at(-2);
    add("span", `${clock(box, e.body.at)} ${machine}: ${e.title}${values ? `: ${values}` : ""} `);
    if (e.user !== user()) add("strong", `${box.dataset.other.replaceAll("{}", e.user)} `);
    if (e.refused) {
      const form = formOf(e);
      const fault = add("strong", `${box.dataset.refused} `, { className: "fault" });
      for (const [field, want] of e.refused) {
        const label = form?.querySelector(`[data-field="${CSS.escape(field.replace("fields.", ""))}"]`)?.dataset.label ?? field;
        fault.append(label ? `${label}: ` : "", Object.assign(document.createElement("span"), { lang: "en", textContent: want }), " ");
      }
      item.append(document.createElement("br"));
      if (form) press(box.dataset.mend, () => mend(e, form));
      else press(box.dataset.again, () => { save(load().map((x) => (x.body.id === e.body.id ? { ...x, refused: undefined } : x))); flush(); });
    }
    press(box.dataset.drop, () => drop(e.body.id));
    return item;
  }

  document.addEventListener("submit", (e) => {
    if (!e.target.matches("form[data-entry]")) return;
    e.preventDefault();
    if (e.target.elements.by?.reportValidity() ?? true) keep(e.target); // a button may pass over what else is missing
  });

  // A scanner types and presses Enter: that goes on to the next field, and sends
  // nothing that is only half told. The button sends.
  document.addEventListener("keydown", (e) => {
    if (e.key !== "Enter" || e.isComposing || !e.target.matches("form[data-entry] input:not([type=hidden])")) return;
    e.preventDefault();
    const all = [...e.target.form.elements].filter((x) => x.matches("input:not([type=hidden]), select, textarea, button") && x.checkVisibility());
    all.slice(all.indexOf(e.target)).find((x) => x.name !== e.target.name)?.focus();
  });

  // A remedy leads to the tile by which it is told.
  document.addEventListener("click", (e) => {
    const link = e.target.closest("a[data-tile]");
    const tile = link && document.getElementById(link.dataset.tile);
    if (!tile) return;
    e.preventDefault();
    reveal(tile);
  });

  // A tile that was opened is scrolled clear of the slip.
  document.addEventListener("toggle", (e) => {
    if (!e.target.matches("details.tile[open]")) return;
    name();
    e.target.scrollIntoView({ block: "nearest" });
  }, true);

  // The name is asked for once on the page, and in each form only without it. The
  // forms' own fields go when a tile opens or something is sent and not when the
  // name is typed: a page that moves under a finger loses the tap. They come back
  // when one is missed.
  function name() {
    const who = document.querySelector("#who input");
    document.documentElement.classList.toggle("named", Boolean(who?.value.trim()));
  }
  document.addEventListener("submit", name, true);
  document.addEventListener("invalid", (e) => {
    name();
    if (!e.target.matches(".slip [name=by]")) return;
    e.preventDefault(); // the slip has no room for it
    document.querySelector("#who input").reportValidity();
  }, true);

  const again = () => { retry = 1000; flush(); };
  addEventListener("online", again);
  addEventListener("focus", again); // perhaps from logging in elsewhere
  addEventListener("storage", (e) => { if (e.key === KEY) draw(); });

  document.addEventListener("DOMContentLoaded", () => {
    const served = Date.parse(document.querySelector("main")?.dataset.now ?? "");
    if (served) ahead = served - Date.now();
    name();
    draw();
    flush();
    setInterval(() => {
      for (const form of document.querySelectorAll("form[data-until]")) {
        form.hidden = Date.parse(form.dataset.until) < Date.now() + ahead;
      }
      for (const fold of document.querySelectorAll(".earlier")) {
        fold.querySelector(".count").textContent = String(fold.querySelectorAll("form:not([hidden])").length);
      }
      draw();
    }, 1000);
  });
})();
