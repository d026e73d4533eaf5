/* Joints that were measured: the form, the verdict looked up, and what was noted so far. */
// --- a joint that was measured ----------------------------------------------------------------------------------

const WAYS = ["both_ways_db", "from_near_db", "from_far_db"];

function form(leaf, table) {
  const counted = (count) => Array.from({ length: count }, (_, at) => [String(at + 1), String(at + 1)]);
  const named = (states, names) => states.map((one) => [one, words[names[one] || one]]);
  const fields = [field("fibre", words.fibre, make("input", { autocomplete: "off", spellcheck: "false", dir: "auto", value: typed.fibre || "" }))];
  if (table.joints > 1) fields.push(choice("joint", words.joint, counted(table.joints)));
  fields.push(choice("attempt", words.attempt, counted(table.attempts)));
  fields.push(choice("ways", words.read_how, [["", words.not_chosen], ...WAYS.map((one) => [one, words[one]])]));
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
  if (!WAYS.includes(one.ways)) faults.push({ name: "ways", said: filled(words.fault_choice, { field: words.read_how, value: words.nothing_typed, words: WAYS.map((way) => words[way]).join(" / ") }) });
  const [low, high] = one.ways === "both_ways_db" ? [-0.15, 20] : [-2, 20];
  if (!(one.loss >= low && one.loss <= high)) faults.push(outside("loss", filled(words.loss, { nm: table.nm }), value("loss"), low, high));
  if (thrown) one.reflectance_db = number(thrown);
  if (thrown && !(one.reflectance_db >= -90 && one.reflectance_db <= 0)) faults.push(outside("reflectance", words.reflectance, value("reflectance"), -90, 0));
  if (faults.length) return show(`#${faults[0].name}`);
  const key = Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");
  const entry = { key, order: Date.now(), plan: leaf.plan, one, nm: table.nm, method: table.method, at: moment(), verdict: lookUp(table, one), state: "waiting" };
  entry.body = bodyOf(entry); // under one key the same is said, however often and from wherever it is sent
  readings.push(entry);
  store.save(`reading ${key}`, entry);
  // The next joint is another one: what was seen of this one says nothing of it.
  typed = { fibre: typed.fibre, joint: typed.joint, ways: typed.ways };
  show(`[data-key="${key}"]`);
  document.activeElement.scrollIntoView();
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
  if (gate !== undefined) {
    const instead = table.gates[gate]; // one place for all, or by the place of what it replaces
    said = Number.isInteger(instead) ? instead : (instead[said] ?? said);
  }
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
  const answered = entry.answer && { ...entry.answer, say: signed(entry.answer.say) };
  const differs = answered && (!entry.verdict || answered.say !== entry.verdict.say);
  if (!barred) parts.push(verdict(answered && differs ? words.by_card : "", entry.verdict));
  if (answered && (differs || barred)) parts.push(verdict(words.by_service, answered), barred || !entry.verdict ? null : line(words.differ));
  return make("div", {}, parts);
}

/** A sentence of the service with the operator's sign before decimals, as the card's own sentences have it. */
const signed = (said) => said.replace(/(\d)\.(\d)/g, (_, before, after) => before + words.point + after);

function verdict(by, found) {
  if (!found) return make("p", { class: "verdict none", dir: "auto" }, by, make("b", {}, words.verdict_none), words.no_verdict);
  return make("div", {}, make("p", { class: `verdict ${found.word}`, dir: "auto" }, by, make("b", {}, words[`verdict_${found.word}`]), found.say), found.cautions.map((one) => make("p", { class: "caution", dir: "auto" }, words.beware_of + one)), found.differently.map((one) => line(typeof one === "number" ? text(one) : one)));
}

function state_(entry) {
  if (onFile) return line(words.read_out);
  if (entry.state === "refused") return make("p", { class: "standing", dir: "auto" }, filled(words.refused, { reason: entry.reason }));
  return line(entry.state === "sent" ? words.sent : words.waiting);
}

function last() {
  const links = [];
  if (!onFile) links.push(make("p", {}, make("a", { class: "link", href: `/v1/advice/${data.id}` }, words.whole_advice)), make("p", {}, make("a", { class: "link", href: location.pathname, download: `card-${data.id.slice(0, 8)}.html` }, words.save)));
  return links;
}
