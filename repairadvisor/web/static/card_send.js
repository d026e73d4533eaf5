/* What waits is sent, the card is kept on the device, and all of it begins. The last part of the card's script. */
// --- sending ------------------------------------------------------------------------------------------------------

function bodyOf(entry) {
  const { one } = entry;
  const attempt = { fibre: one.fibre, joint: one.joint, method: entry.method, attempt: one.attempt, made_at: entry.at, readings: [{ nm: entry.nm, [one.ways]: one.loss }], pull_test: one.pull_test, inspection: one.inspection };
  if (one.reflectance_db !== undefined) attempt.reflectance_db = one.reflectance_db;
  return JSON.stringify({ advice: data.id, plan: entry.plan, attempts: [attempt] });
}

const waits = () => readings.some((entry) => entry.state === "waiting");

/** Send what waits, one after the other and in order; what is answered is marked. Asked twice at once it goes once, also
 * where two pages of a card are open. */
async function send() {
  if (onFile || isSpoilt || !waits()) return;
  if (isSending) {
    isAskedAgain = true;
    return;
  }
  isSending = true;
  isAskedAgain = false;
  try {
    if (await look()) await (navigator.locks ? navigator.locks.request(`${store.mine}send`, sendAll) : sendAll());
  } finally {
    isSending = false;
    reread();
    refresh();
    if (isAskedAgain) send(); // something was noted meanwhile
  }
}

/** What is kept counts, since another page of this card may have sent or noted something; what could not be kept stays. */
function reread() {
  const kept = new Map(readingsKept().map((entry) => [entry.key, entry]));
  readings = [...new Map([...readings.map((entry) => [entry.key, entry]), ...kept])].map(([, entry]) => entry).sort((one, other) => one.order - other.order);
}

async function sendAll() {
  reread();
  for (const entry of readings) if (entry.state === "waiting" && !(await sendOne(entry))) break;
}

async function sendOne(entry) {
  let response, answer;
  try {
    response = await fetch("/v1/outcomes", { method: "POST", headers: { "Content-Type": "application/json", Accept: "application/json", "Idempotency-Key": `"${entry.key}"` }, body: entry.body, signal: patience() });
    answer = await response.json();
  } catch {
    return false; // no network, or lost in the middle: it waits, and goes again under the same key
  }
  let isTaken = response.ok;
  if (response.status === 409) {
    // Something came under this key before: kept it is, where the service knows of the joint.
    const known = await workSoFar();
    if (!known) return false;
    if ((isTaken = isKnown(known, entry.one))) answer = { verdicts: known.verdicts.filter((found) => found.joint === entry.one.joint && found.fibres.includes(entry.one.fibre)) };
  }
  if (isTaken) {
    mark(entry, { state: "sent", answer: verdictOn(entry.one, answer.verdicts) });
  } else if (response.status >= 500 || response.status === 429 || response.status === 408) {
    return false;
  } else {
    const reasons = (answer.faults || []).map((one) => [one.field, one.value, one.problem, one.allowed, one.unit].filter(Boolean).join(", "));
    mark(entry, { state: "refused", reason: String(reasons.join("; ") || answer.detail || answer.title) });
  }
  return true;
}

/** All that the service knows of the work under this advice; nothing where it does not say. */
async function workSoFar() {
  try {
    const response = await fetch(`/v1/advice/${data.id}/outcomes`, { headers: { Accept: "application/json" }, cache: "no-store", signal: patience() });
    return response.ok ? await response.json() : null;
  } catch {
    return null;
  }
}

const isKnown = (work, one) => work.attempts.some((told) => told.fibres.includes(one.fibre) && told.joint === one.joint && told.attempt === one.attempt && [told.loss_db, told.one_way_db].some((some) => Object.values(some).includes(one.loss)));

function verdictOn(one, verdicts) {
  const found = verdicts.find((other) => other.joint === one.joint) || verdicts[0];
  return found ? { word: found.verdict, say: found.say, differently: found.differently, cautions: found.cautions.map((caution) => caution[1] ?? caution.text ?? caution) } : null;
}

/** Keep what became of a reading. What was sent stays sent, whatever another page of this card has heard. */
function mark(entry, became) {
  const kept = store.load(`reading ${entry.key}`);
  if (isReading(kept) && kept.state === "sent" && became.state !== "sent") Object.assign(entry, kept);
  else Object.assign(entry, became);
  store.save(`reading ${entry.key}`, entry);
}

// --- kept on this device --------------------------------------------------------------------------------------------

function keep() {
  if (onFile || !("serviceWorker" in navigator)) return;
  navigator.serviceWorker.addEventListener("message", (event) => {
    if (event.data && event.data.kept === location.pathname) {
      isKept = true;
      refresh();
    }
  });
  navigator.serviceWorker.register("/cards/worker.js", { scope: "/cards/" }).catch(() => {});
  navigator.serviceWorker.ready.then((worker) => worker.active.postMessage({ keep: location.pathname }));
}

/** Have the worker fetch the card again: as it stands now it says itself what bars it, or it is there no more. */
function keepAnew() {
  const why = `${isGone} ${heard && heard.policy}`;
  if (why === fetchedFor) return;
  fetchedFor = why;
  if (!onFile && "serviceWorker" in navigator && navigator.serviceWorker.controller) navigator.serviceWorker.controller.postMessage({ keep: location.pathname });
}

/** What another page of this card, or of another one, has heard or noted counts here too. */
function noticed(event) {
  if (event.key === "cards heard") heard = heardBefore() || heard;
  else if (event.key && event.key.startsWith(store.mine)) {
    isGone = store.load("gone") === true;
    if (packed) {
      if (!isSending) reread(); // else once that is done with
      Object.assign(state, stateKept());
    }
  } else return;
  refresh();
}

/** Whether it still holds, at once by what is known here and then by what the service says. */
function lookAgain() {
  if (document.visibilityState === "hidden") return;
  if (barredBy() !== step) refresh((step = barredBy()) ? ".standing" : undefined);
  look().then(send);
}

show();
step = barredBy();
if (!onFile) {
  keep();
  look().then(send);
  addEventListener("online", lookAgain);
  addEventListener("pageshow", lookAgain);
  document.addEventListener("visibilitychange", lookAgain);
  addEventListener("storage", noticed);
  setInterval(() => look().then(send), 15_000);
}
setInterval(() => {
  const now = barredBy();
  if (now !== step) refresh((step = now) ? ".standing" : undefined);
}, 5_000);
