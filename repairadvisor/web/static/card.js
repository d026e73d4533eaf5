/*
 * Walks through a pocket card. Decides nothing: what is asked next, what may be done and what a reading comes to was
 * worked out by the service and is looked up here. All text goes in as text. What is noted waits on the device and is
 * sent once, under one key a reading.
 */
"use strict";
(async () => {
  const data = await read();
  if (!data) return;
  const { words, texts } = data;
  const onFile = location.protocol === "file:";
  const store = memory();
  const walk = document.getElementById("walk");
  const state = { way: [], checks: {}, ticked: {}, ...store.load("way") };
  let readings = store.all("reading ");
  let policyInForce = data.in_force;
  let isKept = false, isSending = false, serverNow = null, faults = [], typed = {}, step = "";

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
    const now = serverNow ?? Date.now();
    if (now < Date.parse(data.given) - 60_000) return "wrong_clock";
    if (data.valid_until && now >= Date.parse(data.valid_until)) return "expired";
    return "";
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
  const button = (said, press, quiet) => make("button", { type: "button", dir: "auto", class: quiet ? "quiet" : null, press }, said);

  function ring(leaf) {
    const whom = leaf.call.length ? list(leaf.call) : make("ul", {}, make("li", {}, words.ring_desk));
    return make("section", { class: "call" }, heading(words.ring), whom);
  }

  // --- the parts of the screen ------------------------------------------------------------------------------------

  function show(focus) {
    const barred = barredBy();
    document.documentElement.classList.toggle("ran-out", barred !== "");
    for (const one of document.querySelectorAll("#paper .run-out")) one.hidden = barred === "";
    const parts = barred ? standing(barred) : [...storage(), ...answered(), ...here()];
    walk.replaceChildren(...parts.filter(Boolean), ...noted(barred), ...last());
    walk.hidden = false;
    document.documentElement.classList.add("walks");
    if (focus) walk.querySelector(focus)?.focus();
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
    const answers = node.answers.map(([said], at) => button(text(said), () => changed({ way: [...state.way, at] })));
    return [
      make("p", {}, filled(words.ask_whom, { whom: text(node.whom) })),
      heading(text(node.ask), "h1"),
      node.because && text(node.because) ? line(text(node.because)) : null,
      ...data.advised.cautions.map(caution),
      ...answers,
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

  // --- a joint that was measured ----------------------------------------------------------------------------------

  function form(leaf, table) {
    const counted = (count) => Array.from({ length: count }, (_, at) => [String(at + 1), String(at + 1)]);
    const named = (states, names) => states.map((one) => [one, words[names[one] || one]]);
    const fields = [field("fibre", words.fibre, make("input", { autocomplete: "off", spellcheck: "false", dir: "auto", value: typed.fibre || "" }))];
    if (table.joints > 1) fields.push(choice("joint", words.joint, counted(table.joints)));
    fields.push(choice("attempt", words.attempt, counted(table.attempts)));
    fields.push(choice("ways", words.read_how, ["both_ways_db", "from_near_db", "from_far_db"].map((one) => [one, words[one]])));
    fields.push(field("loss", filled(words.loss, { nm: table.nm }), make("input", { inputmode: "decimal", autocomplete: "off", value: typed.loss || "" })));
    if (table.pull_tests.length > 1) fields.push(choice("pull_test", words.pull_test, named(["unknown", "passed", "failed"], { failed: "failed_pull" })));
    if (table.inspections.length > 1) fields.push(choice("inspection", words.inspection, named(["unknown", "clean", "dirty", "damaged"], { unknown: "not_looked" })));
    if (table.reflectances.length > 1) fields.push(field("reflectance", words.reflectance, make("input", { inputmode: "text", autocomplete: "off", value: typed.reflectance || "" })));
    const made = make("form", { novalidate: true, autocomplete: "off" }, ...fields, make("button", { type: "submit" }, words.note));
    made.addEventListener("submit", (event) => {
      event.preventDefault();
      note(leaf, table, new FormData(made));
    });
    return make("section", { class: "measured" }, heading(words.measured), made);
  }

  function field(name, said, input) {
    input.id = input.name = name;
    const wrong = faults.find((one) => one.name === name);
    if (wrong) {
      input.setAttribute("aria-invalid", "true");
      input.setAttribute("aria-describedby", `${name}-fault`);
    }
    return make("div", {}, make("label", { for: name }, said), wrong ? make("p", { class: "fault", id: `${name}-fault`, dir: "auto" }, wrong.said) : null, input);
  }

  function choice(name, said, options) {
    const chosen = typed[name];
    return field(name, said, make("select", {}, options.map(([value, shown]) => make("option", { value, selected: value === chosen }, shown))));
  }

  function number(told) {
    const plain = told.trim().replace(",", ".").replace(/^[−–]/, "-");
    return /^[+-]?(\d+\.?\d*|\.\d+)$/.test(plain) ? Number(plain) : NaN;
  }

  function note(leaf, table, told) {
    const get = (name, otherwise) => (told.has(name) ? String(told.get(name)).trim() : otherwise);
    typed = Object.fromEntries(told);
    const one = { fibre: get("fibre"), joint: Number(get("joint", "1")), attempt: Number(get("attempt")), ways: get("ways"), loss: number(get("loss")), pull_test: get("pull_test", "unknown"), inspection: get("inspection", "unknown") };
    const thrown = get("reflectance", "");
    faults = [];
    const value = (name) => (typed[name] || words.nothing_typed).slice(0, 80);
    if (!/^[^\s,;"']([^\n\r\t,;"']{0,62}[^\s,;"'])?$/u.test(one.fibre) || one.fibre.includes("..")) faults.push({ name: "fibre", said: filled(words.fault_text, { field: words.fibre, value: value("fibre") }) });
    const [low, high] = one.ways === "both_ways_db" ? [-0.15, 20] : [-2, 20];
    if (!(one.loss >= low && one.loss <= high)) faults.push(outside("loss", filled(words.loss, { nm: table.nm }), value("loss"), low, high));
    if (thrown) one.reflectance_db = number(thrown);
    if (thrown && !(one.reflectance_db >= -90 && one.reflectance_db <= 0)) faults.push(outside("reflectance", words.reflectance, value("reflectance"), -90, 0));
    if (faults.length) return show(`#${faults[0].name}`);
    const key = Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");
    const entry = { key, order: Date.now(), plan: leaf.plan, one, nm: table.nm, method: table.method, at: new Date().toISOString(), verdict: lookUp(table, one), state: "waiting" };
    readings.push(entry);
    store.save(`reading ${key}`, entry);
    typed = { ...typed, loss: "", reflectance: "" };
    show(`[data-key="${key}"]`);
    send();
  }

  const outside = (name, field, value, low, high) => ({ name, said: filled(words.fault_number, { field, value, low: hundredths(low * 100), high: hundredths(high * 100) }) });

  /** A figure of the sentences, in whole hundredths: two places, as the service writes it. */
  function hundredths(count) {
    const whole = Math.abs(Math.round(count));
    return (count < 0 && whole ? words.minus : "") + Math.floor(whole / 100) + words.point + String(whole % 100).padStart(2, "0");
  }

  /** The verdict on a joint, looked up. What lies between two cells counts as the worse one; what is not there has none. */
  function lookUp(table, one) {
    const read = Math.ceil(one.loss * 100 - 1e-6);
    const row = table.rows[`${one.joint} ${one.attempt} ${one.ways}`];
    const lost = lostElsewhere(table, one);
    if (!row || lost === undefined) return null;
    const held = row[0].find(([upTo]) => (lost === null ? upTo === null : upTo !== null && lost <= upTo));
    const stretch = held && held[1].find(([low, high]) => read >= low && read <= high);
    if (!stretch) return null;
    let said = stretch[2];
    const thrown = one.reflectance_db === undefined ? undefined : Math.ceil(one.reflectance_db - 1e-6);
    const reflectance = table.reflectances.length === 1 ? table.reflectances[0] : thrown === undefined ? "unread" : thrown > table.reflectance_limit_db ? "above" : "kept";
    const inspection = table.inspections.length === 1 ? table.inspections[0] : one.inspection;
    const pull = table.pull_tests.length === 1 ? table.pull_tests[0] : one.pull_test;
    const gate = row[1][`${pull} ${inspection} ${reflectance}`];
    if (gate !== undefined) said = table.gates[gate][table.said[said][0]] ?? said;
    if (said < 0) return null;
    const [word, sentence, differently, cautions] = table.said[said];
    const say = text(sentence).replaceAll("\ue000", hundredths(read)).replaceAll("\ue001", String(thrown)).replaceAll("\ue002", hundredths(-read));
    return { word, say, differently, cautions: cautions.map(text) };
  }

  /** What the fibre's other joint was read at, in hundredths: null where there is none yet, undefined where that is not
   * known well enough to look anything up. */
  function lostElsewhere(table, one) {
    if (table.joints === 1) return null;
    const others = readings.filter((other) => other.one.fibre === one.fibre && other.one.joint !== one.joint);
    if (!others.length) return null;
    const last = others.reduce((best, other) => (other.one.attempt >= best.one.attempt ? other : best));
    return last.one.ways === "both_ways_db" ? Math.ceil(last.one.loss * 100 - 1e-6) : undefined;
  }

  // --- joints noted so far ----------------------------------------------------------------------------------------

  function spoken(entry) {
    const { one } = entry;
    const said = [filled(words.reading, { fibre: one.fibre, joint: one.joint, attempt: one.attempt, loss: String(one.loss).replace(".", words.point), nm: entry.nm, ways: words[one.ways], at: entry.at.slice(0, 16).replace("T", " ") + " UTC" })];
    if (one.pull_test !== "unknown") said.push(filled(words.reading_pull, { state: words[one.pull_test === "failed" ? "failed_pull" : one.pull_test] }));
    if (one.inspection !== "unknown") said.push(filled(words.reading_faces, { state: words[one.inspection] }));
    if (one.reflectance_db !== undefined) said.push(filled(words.reading_thrown, { reflectance: one.reflectance_db }));
    return said.join(" ");
  }

  function noted(barred) {
    if (!readings.length) return [];
    const shown = [...readings].reverse().map((entry) => make("li", { class: "reading" }, heading(spoken(entry), "h3"), judged(entry, barred), state_(entry)));
    for (const [at, entry] of [...readings].reverse().entries()) shown[at].firstChild.setAttribute("data-key", entry.key);
    const waits = readings.some((entry) => entry.state === "waiting");
    return [make("section", { "aria-live": "polite" }, heading(words.readings), make("ul", {}, shown), waits && !onFile ? button(words.send_now, send, true) : null)];
  }

  /** The verdict of the card, and that of the service where it is another one. A card that has run out gives none. */
  function judged(entry, barred) {
    const parts = [];
    const service = entry.answer;
    const differs = service && (!entry.verdict || service.say !== entry.verdict.say);
    if (!barred) parts.push(verdict(service && differs ? words.by_card : "", entry.verdict));
    if (service && (differs || barred)) parts.push(verdict(words.by_service, service), barred || !entry.verdict ? null : line(words.differ));
    return make("div", {}, parts);
  }

  function verdict(by, found) {
    if (!found) return make("p", { class: "verdict", dir: "auto" }, by, make("b", {}, words.verdict_none), words.no_verdict);
    return make("div", {}, make("p", { class: "verdict", dir: "auto" }, by, make("b", {}, words[`verdict_${found.word}`]), found.say), found.cautions.map((one) => make("p", { class: "caution", dir: "auto" }, words.beware_of + one)), found.differently.map((one) => line(typeof one === "number" ? text(one) : one)));
  }

  function state_(entry) {
    if (onFile || !store.lasts) return line(words.read_out);
    if (entry.state === "refused") return make("p", { class: "standing", dir: "auto" }, filled(words.refused, { reason: entry.reason }));
    return line(entry.state === "sent" ? words.sent : words.waiting);
  }

  function last() {
    const links = [];
    if (!onFile) links.push(make("p", {}, make("a", { class: "link", href: `/v1/advice/${data.id}` }, words.whole_advice)), make("p", {}, make("a", { class: "link", href: location.pathname, download: `card-${data.id.slice(0, 8)}.html` }, words.save)));
    return links;
  }

  // --- sending ------------------------------------------------------------------------------------------------------

  function told(entry) {
    const { one } = entry;
    const at = serverNow !== null && Date.parse(entry.at) > serverNow ? new Date(serverNow).toISOString() : entry.at;
    const attempt = { fibre: one.fibre, joint: one.joint, method: entry.method, attempt: one.attempt, made_at: at, readings: [{ nm: entry.nm, [one.ways]: one.loss }], pull_test: one.pull_test, inspection: one.inspection };
    if (one.reflectance_db !== undefined) attempt.reflectance_db = one.reflectance_db;
    return JSON.stringify({ advice: data.id, plan: entry.plan, attempts: [attempt] });
  }

  /** Send what waits, one after the other and in order; what is answered is marked. Asked twice at once it goes once. */
  async function send() {
    if (onFile || isSending || !readings.some((entry) => entry.state === "waiting")) return;
    isSending = true;
    try {
      if (await look()) for (const entry of readings) if (entry.state === "waiting" && !(await sendOne(entry))) break;
    } finally {
      isSending = false;
      show();
    }
  }

  async function sendOne(entry) {
    // The body stays what it was when it was first tried: under one key the same is said.
    entry.body ??= told(entry);
    store.save(`reading ${entry.key}`, entry);
    let response, answer;
    try {
      response = await fetch("/v1/outcomes", { method: "POST", headers: { "Content-Type": "application/json", Accept: "application/json", "Idempotency-Key": `"${entry.key}"` }, body: entry.body });
      answer = await response.json();
    } catch {
      return false; // no network, or lost in the middle: it waits, and goes again under the same key
    }
    if (response.ok) {
      const found = answer.verdicts.find((one) => one.joint === entry.one.joint) || answer.verdicts[0];
      entry.state = "sent";
      entry.answer = found ? { word: found.verdict, say: found.say, differently: found.differently, cautions: found.cautions.map((one) => one[1] ?? one.text ?? one) } : null;
    } else if (response.status >= 500 || response.status === 429 || response.status === 408) {
      return false;
    } else {
      entry.state = "refused";
      entry.reason = (answer.faults || []).map((one) => [one.field, one.value, one.problem, one.allowed, one.unit].filter(Boolean).join(", ")).join("; ") || answer.detail || answer.title;
    }
    store.save(`reading ${entry.key}`, entry);
    return true;
  }

  /** Ask the service what time it is and which rules are in force; whether it answered. */
  async function look() {
    try {
      const response = await fetch(location.pathname, { headers: { Accept: "application/json" }, cache: "no-store" });
      if (!response.ok) return false;
      const found = await response.json();
      serverNow = Date.parse(found.now);
      const before = barredBy();
      policyInForce = found.policy_in_force;
      if (barredBy() !== before) show();
      return true;
    } catch {
      serverNow = null;
      return false;
    }
  }

  // --- kept on this device --------------------------------------------------------------------------------------------

  function keep() {
    if (onFile || !("serviceWorker" in navigator)) return;
    navigator.serviceWorker.addEventListener("message", (event) => {
      if (event.data && event.data.kept === location.pathname) {
        isKept = true;
        show();
      }
    });
    navigator.serviceWorker.register("/cards/worker.js", { scope: "/cards/" }).catch(() => {});
    navigator.serviceWorker.ready.then((worker) => worker.active.postMessage({ keep: location.pathname }));
  }

  show();
  keep();
  if (!onFile) {
    look().then(() => send());
    addEventListener("online", send);
    setInterval(send, 15_000);
  }
  setInterval(() => {
    const now = barredBy();
    if (now !== step) show((step = now) ? ".standing" : undefined);
  }, 5_000);
  step = barredBy();
})();
