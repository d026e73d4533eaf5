/*
 * What a card has kept on the device, and whether the card still permits anything. The first part of the card's script:
 * what bars is judged before anything is shown, and whatever goes wrong, what is left standing permits nothing.
 */
const isRecord = (one) => typeof one === "object" && one !== null && !Array.isArray(one);
const isText = (one) => typeof one === "string";
const isMoment = (one) => isText(one) && !Number.isNaN(Date.parse(one));
const only = (record, fits) => Object.fromEntries(Object.entries(isRecord(record) ? record : {}).filter(([, value]) => fits(value)));
let isSpoilt = false;
addEventListener("error", stand);
addEventListener("unhandledrejection", stand);
const head = JSON.parse(document.getElementById("head").textContent);
const onFile = location.protocol === "file:";
const store = memory();
// Which rules are in force and what time it is, as this device last heard it from the service, for whatever card.
let heard = heardBefore();
let isGone = store.load("gone") === true;
let service = null;
let looks = 0, answeredLook = 0;

/** The card as text, and of that what permits nothing: what to beware of, make it safe, whom to ring. Needs no data. */
function stand() {
  isSpoilt = true;
  document.documentElement.classList.remove("walks");
  document.getElementById("walk").hidden = true;
  bar(true);
}

/** Show or hide on the card as text what permits something. */
function bar(isBarred) {
  document.documentElement.classList.toggle("ran-out", isBarred);
  for (const one of document.querySelectorAll("#paper .run-out")) one.hidden = !isBarred;
}

// --- kept on this device ----------------------------------------------------------------------------------------

/** Where things are kept on this device; in a file, or where nothing may be kept, as long as the page is open. */
function memory() {
  const held = new Map();
  let disk = null;
  try {
    if (!onFile) {
      disk = window.localStorage;
      disk.setItem("cards try", "1");
      disk.removeItem("cards try");
    }
  } catch {
    disk = null;
  }
  const mine = `card ${head.id} `;
  const get = (name) => parsed(disk ? disk.getItem(name) : held.get(name));
  return {
    mine,
    lasts: disk !== null,
    load: (name, start = mine) => get(start + name),
    all: (start) => (disk ? Object.keys(disk) : [...held.keys()]).filter((name) => name.startsWith(mine + start)).map((name) => [name.slice((mine + start).length), get(name)]),
    save(name, value, start = mine) {
      try {
        if (disk) disk.setItem(start + name, JSON.stringify(value));
        else held.set(start + name, JSON.stringify(value));
      } catch {
        this.lasts = false;
      }
    },
  };
}

/** What stands there, or nothing where that is spoilt. */
function parsed(kept) {
  try {
    return JSON.parse(kept ?? "null");
  } catch {
    return null;
  }
}

function heardBefore() {
  const found = store.load("heard", "cards ");
  const isWhole = isRecord(found) && isText(found.policy) && Number.isFinite(found.now) && Number.isFinite(found.heard);
  // A card that was sent later than that knows better which rules are in force.
  return isWhole && found.now >= Date.parse(head.served) ? found : null;
}

/** What was answered and ticked on this card, as far as it can be read: an answer that leads nowhere is none, and a check
 * is certain only where that very word stands. */
function stateKept() {
  const kept = store.load("way");
  const found = isRecord(kept) ? kept : {};
  let node = data.root;
  const leads = (answer) => Number.isInteger(answer) && (node = node.answers && node.answers[answer] && node.answers[answer][1]);
  const way = Array.isArray(found.way) && found.way.every(leads) ? found.way : [];
  return { way, checks: only(found.checks, (said) => said === "yes" || said === "no"), ticked: only(found.ticked, (one) => one === true) };
}

/** The readings that were noted, in their order; what cannot be read is left where it is. */
function readingsKept() {
  return store.all("reading ").filter(([key, entry]) => isReading(entry) && entry.key === key).map(([, entry]) => entry).sort((one, other) => one.order - other.order);
}

const isVerdict = (one) => one === null || (isRecord(one) && ["accept", "redo", "escalate", "withheld"].includes(one.word) && isText(one.say) && [one.differently, one.cautions].every((some) => Array.isArray(some) && some.every((text) => isText(text) || isText(texts[text]))));

function isReading(entry) {
  if (!isRecord(entry) || !isRecord(entry.one)) return false;
  const { one } = entry;
  const isJoint = isText(one.fibre) && [one.joint, one.attempt].every((count) => Number.isInteger(count) && count > 0) && Number.isFinite(one.loss);
  const isSeen = ["both_ways_db", "from_near_db", "from_far_db"].includes(one.ways) && isText(one.pull_test) && isText(one.inspection) && (one.reflectance_db === undefined || Number.isFinite(one.reflectance_db));
  const isSent = ["waiting", "sent", "refused"].includes(entry.state) && isText(entry.body) && (entry.answer === undefined || isVerdict(entry.answer)) && (entry.reason === undefined || isText(entry.reason));
  return isJoint && isSeen && isSent && Number.isFinite(entry.order) && Number.isInteger(entry.nm) && isMoment(entry.at) && isVerdict(entry.verdict);
}

// --- whether the card permits anything ------------------------------------------------------------------------

/** Why the card permits nothing; nothing where it holds. A clock that cannot be right is no clock. */
function barredBy() {
  if (isGone) return "gone";
  if ((heard ? heard.policy : head.in_force) !== head.policy) return "other_policy";
  if (!service && Date.now() < (heard ? heard.heard : Date.parse(head.given)) - 60_000) return "wrong_clock";
  if (clock() < Date.parse(head.given) - 60_000) return "wrong_clock";
  // It is never earlier than when the service sent the card, and what has gone by since, whatever the device's clock says.
  if (head.valid_until && Math.max(clock(), Date.parse(head.served) + performance.now()) >= Date.parse(head.valid_until)) return "expired";
  return "";
}

/** What time it is: by the service's clock since it was last heard, else by the device's. Of two ways to count the time
 * since then the later counts: one stands still while a device sleeps, the other moves when somebody sets the clock. */
function clock() {
  if (service) return service.now + Math.max(performance.now() - service.counted, Date.now() - service.heard);
  return heard ? heard.now + Math.max(0, Date.now() - heard.heard) : Date.now();
}

/** When something is noted: never later than the service's clock, as far as that was heard, nor earlier than it was then. */
function moment() {
  const known = service || heard;
  return new Date(known ? Math.max(known.now, Math.min(clock(), Date.now())) : Date.now()).toISOString();
}

const patience = () => (AbortSignal.timeout ? AbortSignal.timeout(20_000) : undefined);

/** Ask the service what time it is and which rules are in force; whether it answered. */
async function look() {
  if (onFile) return false;
  const before = barredBy();
  const asked = ++looks;
  try {
    const response = await fetch(location.pathname, { headers: { Accept: "application/json" }, cache: "no-store", signal: patience() });
    const found = await response.json();
    if (asked < answeredLook) return false; // a later look was answered before: it knows better
    if (response.status === 404 && found.type && found.status === 404) {
      answeredLook = asked;
      store.save("gone", (isGone = true));
    } else {
      if (!response.ok || !isMoment(found.now) || !isText(found.policy_in_force)) return false;
      answeredLook = asked;
      if (isGone) store.save("gone", (isGone = false));
      service = { now: Date.parse(found.now), heard: Date.now(), counted: performance.now() };
      heard = { policy: found.policy_in_force, now: service.now, heard: service.heard };
      store.save("heard", heard, "cards ");
    }
  } catch {
    return false;
  }
  if (isGone || heard.policy !== head.in_force) keepAnew();
  if (barredBy() !== before) refresh(".standing");
  return !isGone;
}
