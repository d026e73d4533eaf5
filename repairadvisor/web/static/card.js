/*
 * Walks through a pocket card. Decides nothing: what is asked next, what may be done and what a reading comes to was
 * worked out by the service and is looked up here. All text goes in as text. What is noted waits on the device and is
 * sent once, under one key a reading.
 */
const packed = await read();
const data = { ...head, ...packed };
const { words, texts } = data;
const walk = document.getElementById("walk");
const state = packed ? stateKept() : null;
let readings = packed ? readingsKept() : [];
let isKept = false, isSending = false, isAskedAgain = false, faults = [], typed = {}, step = "", fetchedFor = "";

// --- what the card is made of ---------------------------------------------------------------------------------

/** The card's data; nothing where this browser cannot unpack them: then the card as text stays, as long as it holds. */
async function read() {
  const element = document.getElementById("data");
  if (element.type === "application/json") return JSON.parse(element.textContent);
  if (!("DecompressionStream" in window)) return null;
  const bytes = Uint8Array.from(atob(element.textContent), (sign) => sign.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
  return JSON.parse(await new Response(stream).text());
}

const text = (place) => texts[place];
const filled = (sentence, fields) => sentence.replace(/\{(\w+)\}/g, (whole, name) => (name in fields ? fields[name] : whole));

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
  if (isSpoilt) return;
  const barred = barredBy();
  bar(barred !== "");
  if (!packed) return;
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
  const active = document.activeElement;
  const at = active && active.id ? `#${active.id}` : null;
  const signs = at && active.selectionStart !== undefined && active.selectionStart !== null ? [active.selectionStart, active.selectionEnd] : null;
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
  return line(filled(data.valid_until ? words.holds_until : words.holds_open, { until: data.until_said, policy: data.policy.slice(0, 12), id: data.id.slice(0, 8) }));
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
  if (leaf.held) return held(leaf);
  const first = leaf.steps.filter((one) => one.first);
  const top = [heading(text(leaf.say), "h1"), ...leaf.cautions.map(caution)];
  if (first.length) top.push(make("section", { class: "first" }, heading(words.first), ...first.flatMap(stepOf)));
  top.push(...about(leaf));
  if (failed) return notCertain(leaf, failed);
  if (open) return [...top, ...checkOf(leaf, open), ring(leaf)];
  return [...top, ...waiting(leaf), ...checked(leaf), ...work(leaf), ring(leaf)];
}

/** Where nobody repairs: the danger that decides, whom to ring and what to do come before all else. */
function held(leaf) {
  const [decides, ...others] = leaf.cautions;
  const later = leaf.checks.flatMap((check) => [...check.beside.map(caution), line(text(check.text))]);
  return [
    heading(text(leaf.say), "h1"),
    decides === undefined ? null : caution(decides),
    ...waiting(leaf),
    ring(leaf),
    ...others.map(caution),
    leaf.steps.length ? heading(words.steps) : null,
    ...leaf.steps.flatMap(stepOf),
    ...about(leaf),
    later.length ? heading(leaf.later ? words.checks_later : words.checks) : null,
    ...later,
  ];
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
    ring(leaf),
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
  const steps = leaf.steps.filter((one) => !one.first);
  if (steps.length) parts.push(now(words.steps), ...steps.flatMap(stepOf));
  if (leaf.limits.length) parts.push(heading(words.limits), line(words.limits_why), list(leaf.limits));
  if (table) parts.push(form(leaf, table));
  return parts;
}

/** A step: what to beware of at it, what to do, and the limit by which it is done. */
const stepOf = (one) => [...one.before.map(caution), tick(one), ...one.limit.map((limit) => make("p", { class: "limit", dir: "auto" }, filled(words.limit, { limit: text(limit) })))];

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
