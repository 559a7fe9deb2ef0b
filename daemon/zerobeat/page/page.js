"use strict";
// The page for the phone. Text is set as text and never read as markup.
const HOLD_MS = 500, SAME_MS = 100, LATE_MS = 100, LOST_MS = 2000, OLD_S = 6.5, SILENT_MS = 3500;
const $ = (id) => document.getElementById(id);
const body = document.body;
let hello = null, source = null, heardAt = 0, age = null, ageAt = 0, trouble = "", painted = "";

// ------------------------------------------------------------ keys and signatures
// A browser has no crypto.subtle over plain HTTP, so SHA-256 is here (FIPS 180-4).

const K = [], H0 = [];
(() => {
  const part = (x) => ((x - Math.floor(x)) * 4294967296) | 0;
  for (let n = 2; K.length < 64; n++) {
    let prime = true;
    for (let d = 2; d * d <= n; d++) if (n % d === 0) prime = false;
    if (!prime) continue;
    if (H0.length < 8) H0.push(part(Math.sqrt(n)));
    K.push(part(Math.cbrt(n)));
  }
})();

function sha256(bytes) {
  const length = bytes.length, blocks = ((length + 72) >> 6) << 6;
  const padded = new Uint8Array(blocks), view = new DataView(padded.buffer);
  padded.set(bytes);
  padded[length] = 0x80;
  view.setUint32(blocks - 4, length * 8);
  const h = H0.slice(), w = new Int32Array(64);
  const turn = (x, n) => (x >>> n) | (x << (32 - n));
  for (let at = 0; at < blocks; at += 64) {
    for (let i = 0; i < 16; i++) w[i] = view.getInt32(at + 4 * i);
    for (let i = 16; i < 64; i++) {
      const a = w[i - 15], b = w[i - 2];
      w[i] = w[i - 16] + (turn(a, 7) ^ turn(a, 18) ^ (a >>> 3)) + w[i - 7] +
        (turn(b, 17) ^ turn(b, 19) ^ (b >>> 10));
    }
    let [a, b, c, d, e, f, g, last] = h;
    for (let i = 0; i < 64; i++) {
      const one = (last + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + K[i] + w[i]) | 0;
      const two = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      last = g; g = f; f = e; e = (d + one) | 0; d = c; c = b; b = a; a = (one + two) | 0;
    }
    [a, b, c, d, e, f, g, last].forEach((x, i) => { h[i] = (h[i] + x) | 0; });
  }
  const out = new DataView(new ArrayBuffer(32));
  h.forEach((x, i) => out.setInt32(4 * i, x));
  return new Uint8Array(out.buffer);
}

const utf8 = (text) => new TextEncoder().encode(text);
const hex = (bytes) => Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
const joined = (a, b) => { const all = new Uint8Array(a.length + b.length); all.set(a); all.set(b, a.length); return all; };

function signed(key, ...parts) {  // HMAC-SHA-256 (RFC 2104); a key is shorter than a block
  const inner = new Uint8Array(64).fill(0x36), outer = new Uint8Array(64).fill(0x5c);
  utf8(key).forEach((b, i) => { inner[i] ^= b; outer[i] ^= b; });
  return hex(sha256(joined(outer, sha256(joined(inner, utf8(parts.join("\n")))))));
}

const phoneName = (key) => hex(sha256(utf8("zerobeat phone " + key))).slice(0, 12);
const kept = (name, value) => {  // a browser may keep nothing, in a private window
  try {
    if (value === undefined) return localStorage.getItem(name);
    if (value === null) localStorage.removeItem(name); else localStorage.setItem(name, value);
  } catch { /* it works until the page is closed */ }
  return value === undefined ? null : value;
};
let key = kept("key"), lastPress = 0;
let linked = (location.hash.match(/^#pair=([0-9a-f]{32})$/) || [])[1] || "";
if (location.hash) history.replaceState(null, "", location.pathname);

async function post(path, values, within = LOST_MS) {
  const stop = new AbortController(), timer = setTimeout(() => stop.abort(), within);
  try {
    const answer = await fetch(path, { method: "POST", body: JSON.stringify(values),
      headers: { "Content-Type": "application/json" }, signal: stop.signal, credentials: "omit" });
    if (!answer.ok) return { status: answer.status, error: (await answer.text()).trim() };
    return await answer.json();
  } finally { clearTimeout(timer); }
}

// ------------------------------------------------------------ what is shown

function text(id, words) {
  const node = $(id);
  if (node.textContent !== words) node.textContent = words;
}

function rows(parent, items, make, fill) {  // keeps nodes, so that a focus and a press stay
  while (parent.children.length > items.length) parent.lastElementChild.remove();
  items.forEach((item, i) => fill(parent.children[i] || parent.appendChild(make()), item));
}

function paint(view) {
  text("first", view.first);
  $("first").className = view.bad ? "bad" : "";
  $("well").hidden = !view.more.length;
  rows($("more"), view.more, () => document.createElement("li"), (li, words) => { li.textContent = words; });
  text("scene", view.scene + (view.unsaved ? ", unsaved" : ""));
  text("next", view.next);
  text("waits", view.waits);
  text("flags", view.flags.join(" · "));
  text("foot", view.foot && `${view.foot_refused ? "pedal refused: " : "pedal: "}${view.foot}`);
  paintNeedle(view.needle);
  rows($("voices"), view.voices, makeRow, fillRow);
  rows($("scenes"), view.scenes, makeButton, (button, name) => command(button, name, { command: "recall", scene: name }));
  rows($("mutes"), view.voices, makeButton, (button, voice) => command(button,
    voice.mute ? `${voice.name}: muted, unmute` : `mute ${voice.name}`,
    { command: "mute", voice: voice.name, on: !voice.mute }));
  text("bypass", view.bypassed ? "correct all" : "bypass all");
  $("bypass").dataset.on = view.bypassed ? "" : "on";
}

function makeRow() {
  const row = document.createElement("tr"), name = document.createElement("th");
  name.scope = "row";
  row.append(name, ...["note", "state", "cents"].map((kind) => {
    const cell = document.createElement("td");
    cell.className = kind;
    return cell;
  }));
  return row;
}

function fillRow(row, voice) {
  [voice.name, voice.note, voice.state, voice.cents].forEach((words, i) => {
    if (row.children[i].textContent !== words) row.children[i].textContent = words;
  });
  row.className = voice.bad ? "bad" : "";
  row.children[2].className = voice.waits ? "state waits" : "state";
}

function makeButton() {
  const button = document.createElement("button");
  button.type = "button";
  return button;
}

function command(button, words, values) {
  if (button.textContent !== words) button.textContent = words;
  button.dataset.values = JSON.stringify(values);
}

function paintNeedle(needle) {
  $("needle").hidden = !needle;
  body.classList.toggle("knob", Boolean(needle));
  if (!needle) return;
  text("needle-text", needle.text);
  text("cents", needle.cents);
  $("pointer").style.transform = `rotate(${needle.at * 80}deg)`;
  $("dial").setAttribute("aria-label", `${needle.text}, ${needle.cents}`);
}

function paintAge() {
  const now = performance.now(), silent = now - heardAt > SILENT_MS || !source;
  const seconds = age === null ? null : Math.max(0, Math.floor(age + (now - ageAt) / 1000));
  const old = silent || trouble !== "" || (seconds !== null && seconds > OLD_S);
  text("age", seconds === null ? "no picture yet" : `picture ${lasted(seconds)} old`);
  const why = silent ? "connection lost: trying again" : trouble || (old ? "zerobeat does not answer" : "");
  text("link", why);
  $("link").hidden = !why;
  body.classList.toggle("old", old && seconds !== null);
  if (silent && now - heardAt > SILENT_MS && now - openedAt > SILENT_MS) open();
}

function lasted(seconds) {
  if (seconds < 120) return `${seconds} s`;
  return seconds < 7200 ? `${Math.floor(seconds / 60)} min` : `${Math.floor(seconds / 3600)} h`;
}

// ------------------------------------------------------------ the connection

let openedAt = 0;

function open() {
  if (source) source.close();
  openedAt = performance.now();
  const mine = source = new EventSource("/live");
  const on = (name, act) => mine.addEventListener(name, (event) => {
    if (mine !== source) return;
    heardAt = performance.now();
    act(JSON.parse(event.data));
    paintAge();
  });
  on("hello", (values) => { hello = values; paintPairing(); greet(); });
  on("picture", (view) => {
    const now = JSON.stringify(view);
    if (now !== painted) { painted = now; paint(view); }
    body.classList.remove("waiting");
  });
  on("alive", (values) => {
    trouble = values.trouble;
    if (painted) { age = values.age_s; ageAt = performance.now(); }
  });
  mine.onerror = () => { if (mine === source) { heardAt = -SILENT_MS; paintAge(); } };
}

setInterval(paintAge, 500);
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && performance.now() - heardAt > 1500) open();
});

// ------------------------------------------------------------ pairing

function paintPairing() {
  const paired = Boolean(key) && hello.commands;
  $("stage").hidden = $("danger").hidden = !paired;
  $("pairing").hidden = paired || !hello.commands;
}

async function greet() {
  if (!hello.commands) return;
  if (linked) {
    const mine = linked;
    linked = "";
    const name = phoneName(mine);
    const answer = await post("/pair", { phone: name, sign: signed(mine, hello.run, "pair", name) }).catch(() => ({}));
    if (answer.paired) { key = kept("key", mine); paintPairing(); text("answer", "this phone is paired"); }
    else { text("asked", answer.refused || answer.error || "not paired: open the link again"); if (!answer.refused && !answer.error) linked = mine; }
  } else if (key) {
    const answer = await send("hello").catch(() => null);
    if (answer && answer.status === 401) unpaired();
  }
}

function unpaired() {
  key = kept("key", null);
  paintPairing();
  text("asked", "This phone is no longer paired; it only looks.");
}

$("pair").addEventListener("click", async () => {
  const button = $("pair");
  button.disabled = true;
  try {
    let answer = await post("/pair", { ask: true });
    const ticket = answer.ticket;
    while (ticket && !answer.key && !answer.refused) {
      if (answer.waiting !== undefined) text("asked", `Press the pedal that pairs, within ${answer.waiting} s.`);
      await new Promise((done) => setTimeout(done, 1000));
      answer = await post("/pair", { ticket }).catch(() => ({}));
    }
    if (answer.key) { key = kept("key", answer.key); paintPairing(); text("answer", "this phone is paired"); }
    else text("asked", answer.refused || answer.error || "Not paired.");
  } catch { text("asked", "Not paired: no answer."); }
  button.disabled = false;
});

// ------------------------------------------------------------ presses

function send(words) {
  lastPress = Math.max(lastPress, Number(kept("press")) || 0) + 1;
  lastPress = Math.max(lastPress, Date.now());
  kept("press", String(lastPress));
  return post("/press", { phone: phoneName(key), press: lastPress, command: words,
    sign: signed(key, hello.run, String(lastPress), words) });
}

async function press(values, words) {
  const box = $("answer"), words2 = JSON.stringify(values);
  box.className = "";
  text("answer", `${words} ...`);
  const late = setTimeout(() => text("answer", `${words}: no answer yet`), LATE_MS);
  let said;
  try { said = await send(words2); } catch { said = { error: "not answered: look before you press again" }; }
  clearTimeout(late);
  if (said.status === 401) unpaired();
  box.className = said.ok ? "" : "bad";
  text("answer", `${words}: ${said.ok ? said.said : said.error || "refused"}`);
}

let lastAt = 0, lastWhat = "";
document.addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button || !key || !hello) return;
  const what = button.dataset.values || (button.dataset.command && JSON.stringify({ command: button.dataset.command }));
  if (!what) return;
  const now = performance.now(), bounced = what === lastWhat && now - lastAt < SAME_MS;
  if (bounced) return;
  lastAt = now;
  lastWhat = what;
  press(JSON.parse(what), button.textContent);
});

document.querySelectorAll("[data-hold]").forEach((button) => {
  let timer = 0;
  const up = () => {
    if (timer) text("answer", `${button.textContent}: hold it for half a second`);
    clearTimeout(timer);
    timer = 0;
    button.classList.remove("down");
  };
  const down = () => {
    if (timer || !key || !hello) return;
    button.classList.add("down");
    timer = setTimeout(() => {
      timer = 0;
      button.classList.remove("down");
      const values = { command: button.dataset.hold };
      if (values.command === "bypass") values.on = button.dataset.on === "on";
      press(values, button.textContent);
    }, HOLD_MS);
  };
  button.addEventListener("pointerdown", (event) => { if (event.isPrimary && event.button === 0) down(); });
  ["pointerup", "pointercancel", "pointerleave", "blur"].forEach((name) => button.addEventListener(name, up));
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" && event.key !== " ") return;
    event.preventDefault();
    if (!event.repeat) down();
  });
  button.addEventListener("keyup", up);
});

// ------------------------------------------------------------ large, and the start

function large(on) {
  body.classList.toggle("large", on);
  $("large").setAttribute("aria-pressed", String(on));
  kept("large", on ? "on" : null);
}
$("large").addEventListener("click", () => large(!body.classList.contains("large")));
large(kept("large") === "on");
open();
