"use strict";
// Photos wait in the browser's own store until the laptop has them, so that a lost link, a reload or a sleeping
// laptop loses none. Nothing comes from anywhere but this server.
const $ = (id) => document.getElementById(id);
const hex = (bytes) => Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
const newId = () => hex(crypto.getRandomValues(new Uint8Array(8)));
const remember = (key, value) => { try { sessionStorage.setItem(key, value); } catch (_) { /* private mode */ } };
const recall = (key) => { try { return sessionStorage.getItem(key) || ""; } catch (_) { return ""; } };
const own = () => {  // which phone this is, to tell two from one
  try {
    if (!localStorage.getItem("phone")) localStorage.setItem("phone", newId());
    return localStorage.getItem("phone");
  } catch (_) { return newId(); }
};
const phone = own();
let state = null, at = recall("at"), queue = [], busy = false, linked = true, ended = false, wait = 1, full = "";

// --- SHA-256 (FIPS 180-4); the browser's own is only for encrypted pages ---------------------------------------
const K = (() => {
  const out = [], frac = (x) => ((x - Math.floor(x)) * 4294967296) | 0;
  for (let n = 2; out.length < 64; n++) {
    let prime = true;
    for (let d = 2; d * d <= n; d++) if (n % d === 0) prime = false;
    if (prime) out.push([frac(Math.cbrt(n)), frac(Math.sqrt(n))]);
  }
  return out;
})();
function sha256(bytes) {
  const h = Int32Array.from(K.slice(0, 8), (k) => k[1]), w = new Int32Array(64);
  const round = (view, from) => {
    for (let i = 0; i < 16; i++) w[i] = view.getInt32(from + 4 * i);
    for (let i = 16; i < 64; i++) {
      const a = w[i - 15], b = w[i - 2];
      w[i] = (w[i - 16] + w[i - 7] + (((a >>> 7) | (a << 25)) ^ ((a >>> 18) | (a << 14)) ^ (a >>> 3))
        + (((b >>> 17) | (b << 15)) ^ ((b >>> 19) | (b << 13)) ^ (b >>> 10))) | 0;
    }
    let [a, b, c, d, e, f, g, x] = h;
    for (let i = 0; i < 64; i++) {
      const t = (x + (((e >>> 6) | (e << 26)) ^ ((e >>> 11) | (e << 21)) ^ ((e >>> 25) | (e << 7)))
        + ((e & f) ^ (~e & g)) + K[i][0] + w[i]) | 0;
      const u = ((((a >>> 2) | (a << 30)) ^ ((a >>> 13) | (a << 19)) ^ ((a >>> 22) | (a << 10)))
        + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      x = g; g = f; f = e; e = (d + t) | 0; d = c; c = b; b = a; a = (t + u) | 0;
    }
    [a, b, c, d, e, f, g, x].forEach((v, i) => { h[i] = (h[i] + v) | 0; });
  };
  const whole = bytes.length - bytes.length % 64, view = new DataView(bytes.buffer, bytes.byteOffset, bytes.length);
  for (let from = 0; from < whole; from += 64) round(view, from);
  const rest = bytes.length - whole, tail = new Uint8Array(rest < 56 ? 64 : 128);
  tail.set(bytes.subarray(whole)); tail[rest] = 128;
  const end = new DataView(tail.buffer);
  end.setUint32(tail.length - 8, Math.floor(bytes.length / 536870912)); end.setUint32(tail.length - 4, bytes.length << 3);
  for (let from = 0; from < tail.length; from += 64) round(end, from);
  return hex(new Uint8Array(Int32Array.from(h, (v) =>
    ((v & 255) << 24) | ((v & 65280) << 8) | ((v >>> 8) & 65280) | (v >>> 24)).buffer));
}

// --- photos that wait ------------------------------------------------------------------------------------------
const store = new Promise((done) => {
  try {
    const open = indexedDB.open("shoot", 1);
    open.onupgradeneeded = () => open.result.createObjectStore("photos", { keyPath: "id" });
    open.onsuccess = () => done(open.result);
    open.onerror = () => done(null);
  } catch (_) { done(null); }
});
async function inStore(what) {
  const db = await store;
  if (!db) return null;
  return new Promise((done) => {
    const t = db.transaction("photos", "readwrite"), asked = what(t.objectStore("photos"));
    t.oncomplete = () => done(asked.result);
    t.onerror = t.onabort = () => done(null);
  });
}
async function add(files) {
  const shown = state ? state.at.name : at;  // the position on the screen, whatever was asked for since
  for (const file of files) {
    const data = await file.arrayBuffer();
    const photo = { id: newId(), at: shown, data, sha: sha256(new Uint8Array(data)), when: Date.now() };
    queue.push(photo);
    show();
    await inStore((s) => s.put(photo));
  }
  pump();
}
function drop(photo) {
  queue = queue.filter((p) => p !== photo);
  inStore((s) => s.delete(photo.id));
}

// --- talking to the laptop -------------------------------------------------------------------------------------
function send(photo) {
  return new Promise((done) => {
    const x = new XMLHttpRequest();
    x.open("POST", `photo?at=${encodeURIComponent(photo.at)}`);
    x.timeout = 300000;
    x.setRequestHeader("Content-Type", "application/octet-stream");
    x.setRequestHeader("X-Phone", phone);
    x.setRequestHeader("X-Upload", photo.id);
    x.setRequestHeader("X-Sha256", photo.sha);
    x.upload.onprogress = (e) => { $("bar").value = e.lengthComputable ? 100 * e.loaded / e.total : 0; };
    x.upload.onload = () => { $("bar").removeAttribute("value"); tell("wait", "Looking", []); };
    x.onload = () => done(x);
    x.onerror = x.ontimeout = x.onabort = () => done(null);
    x.send(photo.data);
  });
}
async function pump() {
  if (busy || !queue.length || ended) return;
  busy = true;
  show();
  const photo = queue[0], x = await send(photo);
  let body = null;
  try { body = x && JSON.parse(x.responseText); } catch (_) { body = null; }
  if (x && x.status === 200 && body) {
    drop(photo);
    linked = true; full = ""; wait = 1;
    tell(body.word, { good: "Good", poor: "Usable", again: "Again" }[body.word], body.lines);
    take(body.state);
  } else if (x && x.status === 404) {
    ended = true;
  } else if (body && !body.again) {
    drop(photo);
    tell("again", "Again", [body.say]);
  } else {
    linked = Boolean(body);
    full = body ? body.say : "";
    if (!body) tell("wait", "Waiting", ["The photo is safe here"]);
    wait = Math.min(wait * 2, 10);
    setTimeout(() => { busy = false; pump(); }, wait * 1000);
    show();
    return;
  }
  busy = false;
  show();
  pump();
}
async function ask(path, method) {
  const stop = new AbortController(), timer = setTimeout(() => stop.abort(), 8000);
  try {
    const r = await fetch(path, { method, headers: { "X-Phone": phone }, cache: "no-store", signal: stop.signal });
    if (r.status === 404) { ended = true; return null; }
    linked = true;
    return await r.json();
  } catch (_) {
    linked = false;
    return null;
  } finally { clearTimeout(timer); }
}
async function refresh() {
  if (document.hidden) return;
  const s = await ask(`state?at=${encodeURIComponent(at)}`, "GET");
  if (!s && state) go(state.at.name, true);  // without the laptop the page stays where it is
  if (s) take(s); else show();
}
async function undo() {
  if (!state.last) return;
  const a = await ask(`undo?at=${encodeURIComponent(at)}&name=${encodeURIComponent(state.last.name)}`, "POST");
  if (a && a.undone) { tell("wait", "Put aside", [a.undone]); take(a.state); } else if (a) tell("again", a.say, []);
}

// --- what is shown ---------------------------------------------------------------------------------------------
function take(s) {
  if (at && s.at.name !== at && s.positions.some((p) => p.name === at)) return;  // an answer to an older question
  state = s;
  if (at !== s.at.name) go(s.at.name, true);
  show();
}
function go(name, stay) {
  at = name;
  remember("at", at);
  if (stay) return;
  $("said").hidden = true;
  refresh();
}
function tell(kind, word, lines) {
  $("said").className = kind;
  $("word").textContent = word;
  $("lines").replaceChildren(...lines.map((t) => make("li", t)));
  $("said").hidden = false;
}
function make(tag, text, kind) {
  const e = document.createElement(tag);
  e.textContent = text;
  if (kind) e.className = kind;
  return e;
}
function alarm() {
  const n = queue.length, photos = !n ? "" : n > 1 ? ` ${n} photos wait here.` : " 1 photo waits here.";
  if (ended) return `Link ended. Scan the new code.${photos}`;
  if (!linked) return `Laptop does not answer. Wake it.${photos}`;
  if (full) return full;
  if (state && state.phones > 1) return `${state.phones} phones are on. Use one camera only.`;
  if (state && state.reading) return `Reading earlier photos: ${state.reading} to go`;
  return "";
}
function show() {
  $("alarm").textContent = alarm();
  $("alarm").hidden = !$("alarm").textContent;
  $("sending").hidden = !queue.length;
  $("left").textContent = queue.length > 1 ? `${queue.length} photos` : "Sending";
  if (!state) return;
  const p = state.at;
  const strip = state.positions.map((q) => {
    const b = make("button", "", (q.done ? "done " : "") + (q.name === p.name ? "here" : ""));
    b.append(make("span", q.name), `${q.good} of ${q.want}`);
    b.onclick = () => go(q.name);
    return b;
  });
  const slid = $("strip").scrollLeft;
  $("strip").replaceChildren(...strip);
  $("strip").scrollLeft = slid;
  if (show.at !== p.name) { show.at = p.name; $("strip").querySelector(".here")?.scrollIntoView({ inline: "center" }); }
  $("label").textContent = p.name;
  $("count").textContent = `${p.good} of ${p.want}`;
  $("do").textContent = p.do;
  $("todo").textContent = p.todo || "Position done";
  if (show.sketch !== p.sketch) {
    show.sketch = p.sketch;
    $("sketch").replaceChildren(document.importNode(
      new DOMParser().parseFromString(p.sketch, "image/svg+xml").documentElement, true));
  }
  document.body.classList.toggle("done", !p.todo);
  $("next").hidden = Boolean(p.todo) || !state.next;
  $("next").textContent = `Next: ${state.next}`;
  $("undo").disabled = !state.last || busy;
  known(state.known);
}
function known(k) {
  $("sofar").textContent = k.say + (k.working ? " ..." : "");
  $("known").classList.toggle("enough", k.enough);
  const rows = k.noticed.map((t) => make("p", t, "figure"));
  for (const f of k.figures) {
    const row = make("p", "", "figure"), kind = { met: "met", "not met": "not" }[f.outcome] || "open";
    row.append(make("span", f.label, "soft"), document.createElement("br"), make("b", f.value), " ",
      make("b", f.outcome, kind), document.createElement("br"), make("span", `wanted ${f.wanted}`, "soft"));
    rows.push(row);
  }
  if (k.why) rows.push(make("p", k.why, "soft"));
  rows.push(make("p", `From ${k.photos} photos. Not the verdict: that is the report's.`, "soft"));
  $("figures").replaceChildren(...rows);
}

$("next").onclick = () => go(state.next);
$("undo").onclick = undo;
for (const id of ["camera", "gallery"]) {
  $(id).onchange = async (e) => { const files = [...e.target.files]; await add(files); e.target.value = ""; };
}
$("take").onkeydown = (e) => { if (e.key === "Enter" || e.key === " ") $("camera").click(); };
document.addEventListener("visibilitychange", () => { if (!document.hidden) { refresh(); pump(); } });
addEventListener("online", () => { refresh(); pump(); });
(async () => {
  await refresh();
  const left = ((await inStore((s) => s.getAll())) || []).sort((a, b) => a.when - b.when);
  queue.push(...left.filter((p) => !queue.some((q) => q.id === p.id)));  // one may have been taken meanwhile
  show();
  pump();
  setInterval(refresh, 3000);
})();
