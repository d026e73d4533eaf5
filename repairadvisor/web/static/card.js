/*
 * Walks through a pocket card. Decides nothing: what is asked next, what may be done and what a reading comes to was
 * worked out by the service and is looked up here. All text goes in as text. What is noted waits on the device and is
 * sent once, under one key a reading.
 */
const data = await read();
if (!data) return;
const { words, texts } = data;
const onFile = location.protocol === "file:";
const store = memory();
const walk = document.getElementById("walk");
const state = { way: [], checks: {}, ticked: {}, ...store.load("way") };
let readings = store.all("reading ");
let policyInForce = data.in_force;
let isKept = false, isSending = false, isAskedAgain = false, service = null, faults = [], typed = {}, step = "";

// --- what the card is made of ---------------------------------------------------------------------------------

async function read() {
  const element = document.getElementById("data");
  if (element.type === "application/json") return JSON.parse(element.textContent);
  try {
    const packed = Uint8Array.from(atob(element.textContent), (sign) => sign.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
    return JSON.parse(await new Response(stream).text());
  } catch {
    return null; // the card as text stays on the screen
  }
}

/** Where things are kept on this device; in a file, or where nothing may be kept, as long as the page is open. */
function memory() {
  const mine = `card ${data.id} `;
  const held = new Map();
  let disk = null;
  try {
    if (!onFile) {
      disk = window.localStorage;
      disk.setItem(mine + "try", "1");
      disk.removeItem(mine + "try");
    }
  } catch {
    disk = null;
  }
  return {
    lasts: disk !== null,
    load: (name) => JSON.parse((disk ? disk.getItem(mine + name) : held.get(name)) || "null"),
    all(start) {
      const names = disk ? Object.keys(disk).filter((name) => name.startsWith(mine + start)) : [...held.keys()].filter((name) => name.startsWith(start));
      return names.map((name) => JSON.parse(disk ? disk.getItem(name) : held.get(name))).sort((one, other) => one.order - other.order);
    },
    save(name, value) {
      try {
        if (disk) disk.setItem(mine + name, JSON.stringify(value));
        else held.set(name, JSON.stringify(value));
      } catch {
        this.lasts = false;
      }
    },
  };
}

const text = (place) => texts[place];
const filled = (sentence, fields) => sentence.replace(/\{(\w+)\}/g, (whole, name) => (name in fields ? fields[name] : whole));

// --- whether the card permits anything ------------------------------------------------------------------------

/** Why the card permits nothing; nothing where it holds. A clock that cannot be right is no clock. */
function barredBy() {
  if (policyInForce !== data.policy) return "other_policy";
  const now = clock();
  if (now < Date.parse(data.given) - 60_000) return "wrong_clock";
  // It is never earlier than when the service sent the card, whatever the device's clock says.
  if (data.valid_until && Math.max(now, Date.parse(data.served)) >= Date.parse(data.valid_until)) return "expired";
  return "";
}

/** What time it is: by the service's clock since it was last heard, else by the device's. Of two ways to count the time
 * since then the later counts: one stands still while a device sleeps, the other moves when somebody sets the clock. */
function clock() {
  if (!service) return Date.now();
  return service.now + Math.max(performance.now() - service.counted, Date.now() - service.heard);
}

/** Where the answers so far lead: a question, a leaf, or nothing (then somebody is rung). */
function place() {
  let node = data.root;
  for (const answer of state.way) {
    if (!node.answers || !node.answers[answer]) break;
    node = node.answers[answer][1];
  }
  return node;
}

const leafOf = (node) => (node.leaf === undefined ? null : data.leaves[node.leaf]);
const allCertain = (leaf) => leaf.checks.every((check) => state.checks[checkKey(check)] === "yes");
const checkKey = (check) => `${state.way.join(".")} ${check.screen}`;

// --- elements ---------------------------------------------------------------------------------------------------

function make(name, attributes = {}, ...inside) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (key === "press") element.addEventListener("click", value);
    else if (value === true) element.setAttribute(key, "");
    else if (value !== false && value !== null) element.setAttribute(key, value);
  }
  for (const one of inside.flat()) if (one) element.append(one);
  return element;
}
const heading = (said, level = "h2") => make(level, { tabindex: "-1", dir: "auto" }, said);
const line = (said) => make("p", { dir: "auto" }, said);
const caution = (place) => make("p", { class: "caution", dir: "auto" }, words.beware_of + text(place));
const list = (places) => (places.length ? make("ul", {}, places.map((one) => make("li", { dir: "auto" }, text(one)))) : null);
const button = (said, press, kind) => make("button", { type: "button", dir: "auto", class: kind === true ? "quiet" : kind || null, press }, said);

function ring(leaf) {
  const whom = leaf.call.length ? list(leaf.call) : make("ul", {}, make("li", {}, words.ring_desk));
  return make("section", { class: "call" }, heading(words.ring), whom);
}

// --- the parts of the screen ------------------------------------------------------------------------------------

function show(focus) {
  const barred = barredBy();
  document.documentElement.classList.toggle("ran-out", barred !== "");
  for (const one of document.querySelectorAll("#paper .run-out")) one.hidden = barred === "";
  const parts = barred ? standing(barred) : [...storage(), holds(), ...answered(), ...here()];
  walk.replaceChildren(...parts.filter(Boolean), ...noted(barred), ...last());
  walk.hidden = false;
  document.documentElement.classList.add("walks");
  if (focus) walk.querySelector(focus)?.focus();
}

/** The same once more because something came in from outside: what is being typed, read or held stays as it is. */
function refresh(focus) {
  const form = walk.querySelector("form");
  if (form) typed = Object.fromEntries(new FormData(form));
  const opened = new Set([...walk.querySelectorAll("details[open] > summary")].map((one) => one.textContent));
  const held = document.activeElement;
  const at = held && held.id ? `#${held.id}` : null;
  const signs = at && held.selectionStart !== undefined && held.selectionStart !== null ? [held.selectionStart, held.selectionEnd] : null;
  show(focus || at);
  for (const one of walk.querySelectorAll("details > summary")) one.parentElement.open = opened.has(one.textContent);
  const again = !focus && at && walk.querySelector(at);
  if (again && signs) again.setSelectionRange(...signs);
}

function standing(barred) {
  const leaf = data.advised;
  const every = new Set();
  for (const one of [leaf, ...data.leaves]) {
    for (const part of [{ before: one.cautions }, ...one.checks.map((check) => ({ before: check.beside })), ...one.ready.map((other) => ({ before: other.cautions })), ...one.steps]) part.before.forEach((caution) => every.add(caution));
  }
  return [
    make("div", { class: "standing", role: "alert" }, line(words[barred]), barred === "expired" ? line(filled(words.expired_since, { until: data.until_said })) : null),
    line(words.make_safe),
    ring(leaf),
    list(leaf.meanwhile),
    every.size ? heading(words.beware) : null,
    ...[...every].map(caution),
  ];
}

function storage() {
  if (onFile) return [line(words.file)];
  if (!store.lasts) return [make("p", { class: "standing" }, words.not_kept)];
  return isKept ? [line(words.kept_here)] : [];
}

function holds() {
  return line(filled(data.valid_until ? words.holds_until : words.holds_open, { until: data.until_said, policy: data.policy.slice(0, 12) }));
}

function answered() {
  let node = data.root;
  const given = [];
  state.way.forEach((answer, at) => {
    const said = `${text(node.ask)} ${text(node.answers[answer][0])}`;
    given.push(button(filled(words.answer_again, { answer: said }), () => changed({ way: state.way.slice(0, at) }), true));
    node = node.answers[answer][1];
  });
  return given.length ? [make("details", {}, make("summary", {}, words.answered), ...given)] : [];
}

function here() {
  const node = place();
  if (node.ask !== undefined) return question(node);
  const leaf = leafOf(node);
  if (!leaf) return [heading(words.ring_here, "h1"), make("p", { class: "standing" }, words.ring_why), line(words.make_safe), ring(data.advised), ...data.advised.cautions.map(caution)];
  const failed = leaf.checks.find((check) => state.checks[checkKey(check)] === "no");
  const open = leaf.checks.find((check) => !(checkKey(check) in state.checks));
  const head = [heading(text(leaf.say), "h1"), ...leaf.cautions.map(caution), ...about(leaf)];
  if (failed) return [...notCertain(leaf, failed), ring(leaf)];
  if (open) return [...head, ...checkOf(leaf, open), ring(leaf)];
  return [...head, ...waiting(leaf), ...checked(leaf), ...work(leaf), ring(leaf)];
}

function question(node) {
  const answers = node.answers.map(([said], at) => button(text(said), () => changed({ way: [...state.way, at] }), "answer"));
  return [
    make("p", {}, filled(words.ask_whom, { whom: text(node.whom) })),
    heading(text(node.ask), "h1"),
    node.because && text(node.because) ? line(text(node.because)) : null,
    ...answers,
    ...data.advised.cautions.map(caution),
    ring(data.advised),
  ];
}

function about(leaf) {
  const parts = leaf.about.length ? [heading(words.plan), list(leaf.about)] : [];
  if (text(leaf.because)) parts.push(line(text(leaf.because)));
  if (text(leaf.defers)) parts.push(line(text(leaf.defers)));
  return parts;
}

function waiting(leaf) {
  return [
    ...leaf.until.map((one) => line(filled(words.wait_until, { until: text(one) }))),
    ...leaf.meanwhile.map((one) => line(filled(words.meanwhile, { text: text(one) }))),
    ...leaf.then.map((one) => line(filled(words.then, { text: text(one) }))),
  ];
}

function checkOf(leaf, check) {
  const at = leaf.checks.indexOf(check);
  const answer = (said) => () => changed({ checks: { ...state.checks, [checkKey(check)]: said } }, said === "yes" ? ".now" : "h1");
  return [
    ...waiting(leaf),
    ...checked(leaf),
    now(filled(words.check, { n: at + 1, count: leaf.checks.length })),
    ...check.beside.map(caution),
    make("p", { class: "check", dir: "auto" }, make("strong", {}, text(check.text))),
    line(words.check_rule),
    button(words.certain, answer("yes")),
    button(words.not_certain, answer("no"), true),
  ];
}

function checked(leaf) {
  const done = leaf.checks.filter((check) => state.checks[checkKey(check)] === "yes");
  return done.length ? [make("details", {}, make("summary", {}, words.answered), ...done.map((check) => again(check, words.checked)))] : [];
}

function again(check, said) {
  const { [checkKey(check)]: gone, ...rest } = state.checks;
  return button(filled(words.answer_again, { answer: filled(said, { text: text(check.text) }) }), () => changed({ checks: rest }), true);
}

function notCertain(leaf, check) {
  const ready = leaf.ready.filter((one) => one.after.includes(check.screen));
  return [
    heading(words.failed_head, "h1"),
    ...leaf.cautions.map(caution),
    ...check.beside.map(caution),
    make("p", { class: "standing", dir: "auto" }, filled(words.failed, { text: text(check.text) })),
    text(check.fails) ? line(text(check.fails)) : null,
    line(words.make_safe),
    ...ready.flatMap((one) => [heading(words.ready), ...one.cautions.map(caution), line(text(one.said)), ...one.before.map((place) => line(filled(words.ready_before, { text: text(place) }))), line(words.ready_ring)]),
    again(check, words.failed),
  ];
}

/** Steps and the joints that were measured: only where every check is certain. */
function work(leaf) {
  if (!leaf.repair) return [];
  const parts = [];
  const table = data.verdicts[leaf.plan];
  if (table) parts.push(button(words.to_measured, () => walk.querySelector("#fibre").focus(), true));
  if (leaf.kit.length) parts.push(make("details", {}, make("summary", {}, words.kit), list(leaf.kit)));
  if (leaf.steps.length) parts.push(now(words.steps));
  for (const one of leaf.steps) parts.push(...one.before.map(caution), tick(one), ...one.limit.map((limit) => line(filled(words.limit, { limit: text(limit) }))));
  if (leaf.limits.length) parts.push(heading(words.limits), list(leaf.limits));
  if (table) parts.push(form(leaf, table));
  return parts;
}

function tick(one) {
  const key = `${state.way.join(".")} ${one.number}`;
  const box = make("input", { type: "checkbox", checked: Boolean(state.ticked[key]) });
  box.addEventListener("change", () => {
    state.ticked[key] = box.checked;
    store.save("way", state);
  });
  return make("label", { class: "tick", dir: "auto" }, box, make("span", {}, `${one.number}. ${text(one.text)}`));
}

/** A heading at which whoever has just answered goes on. */
function now(said) {
  const made = heading(said);
  made.className = "now";
  return made;
}

function changed(what, focus = "h1") {
  Object.assign(state, what);
  store.save("way", state);
  faults = [];
  show(focus);
  document.activeElement.scrollIntoView();
}
