/* What waits is sent, the card is kept on the device, and all of it begins. The last part of the card's script. */
// --- sending ------------------------------------------------------------------------------------------------------

function told(entry) {
  const { one } = entry;
  const at = service && Date.parse(entry.at) > service.now ? new Date(service.now).toISOString() : entry.at;
  const attempt = { fibre: one.fibre, joint: one.joint, method: entry.method, attempt: one.attempt, made_at: at, readings: [{ nm: entry.nm, [one.ways]: one.loss }], pull_test: one.pull_test, inspection: one.inspection };
  if (one.reflectance_db !== undefined) attempt.reflectance_db = one.reflectance_db;
  return JSON.stringify({ advice: data.id, plan: entry.plan, attempts: [attempt] });
}

/** Send what waits, one after the other and in order; what is answered is marked. Asked twice at once it goes once. */
async function send() {
  if (onFile || !readings.some((entry) => entry.state === "waiting")) return;
  if (isSending) {
    isAskedAgain = true;
    return;
  }
  isSending = true;
  isAskedAgain = false;
  try {
    if (await look()) for (const entry of readings) if (entry.state === "waiting" && !(await sendOne(entry))) break;
  } finally {
    isSending = false;
    refresh();
    if (isAskedAgain) send(); // something was noted meanwhile
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
    const before = barredBy();
    service = { now: Date.parse(found.now), heard: Date.now(), counted: performance.now() };
    policyInForce = found.policy_in_force;
    if (barredBy() !== before) refresh(".standing");
    return true;
  } catch {
    return false;
  }
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

show();
keep();
if (!onFile) {
  look().then(() => send());
  addEventListener("online", send);
  setInterval(send, 15_000);
  setInterval(look, 60_000);
}
setInterval(() => {
  const now = barredBy();
  if (now !== step) refresh((step = now) ? ".standing" : undefined);
}, 5_000);
step = barredBy();
